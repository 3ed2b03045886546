"""The one list of flags an attempt may carry, and what each means."""

FLAGS: dict[str, str] = {
    "wrong_rails": "the ball met other rails than those of the shot, or in another order",
    "wrong_ball_first": "the kicked ball met another ball than its target first",
    "stopped_short": "the ball came to rest before it was past its last rail",
    "no_ball_hit": "in a bank, the cue ball met no ball",
    "target_not_seen": "the target ball was not seen at rest; its stated place was used",
    "start_hidden": "something hid the cue ball at the strike; the start is where it was last seen at rest",
    "camera_moved": "the camera was moved between the strike and the end of the shot",
    "path_lost": "the ball was lost from view before the shot was decided",
    "few_sightings": "a leg was seen in fewer than four frames",
    "scratch": "the cue ball dropped into a pocket",
    "wrong_pocket": "the ball dropped, but into another pocket than the target's",
}


def known(flags: list[str]) -> tuple[str, ...]:
    """The flags, each once, in the order of the list. Raises KeyError for one that is not in it."""
    for flag in flags:
        FLAGS[flag]
    return tuple(flag for flag in FLAGS if flag in flags)
