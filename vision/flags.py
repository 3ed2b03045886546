"""The one list of flags an attempt may carry, and what each means."""

FLAGS: dict[str, str] = {
    "wrong_rails": "the ball met other rails than those of the shot, or in another order",
    "wrong_ball_first": "the kicked ball met another ball than its target first",
    "stopped_short": "the ball came to rest before it was past its last rail",
    "turned_aside": "something else than a rail turned the ball before its line after the last rail could be told",
    "no_ball_hit": "in a bank, the cue ball met no ball",
    "target_not_seen": "the target ball was not seen at rest; its stated place was used",
    "start_hidden": "something hid the cue ball at the strike; the start is where it was last seen at rest",
    "camera_moved": "the camera was moved between the strike and the end of the shot",
    "pictures_missing": "pictures are missing of which the film's times say nothing; the speed is the less sure",
    "path_lost": "the ball was lost from view before the shot was decided",
    "few_sightings": "a leg was seen in fewer than four frames",
    "scratch": "the cue ball dropped into a pocket",
    "near_jaw": "the ball met the nearer jaw of its pocket",
    "far_jaw": "the ball met the farther jaw of its pocket",
    "rail_first": "a further rail was met just before the target",
    "double_kiss": "the two balls of the shot met a second time",
    "hit_full": "target ball hit full, by more than seven eighths",
    "hit_three_quarters": "target ball hit about three quarters full",
    "hit_half": "target ball hit about half full",
    "hit_quarter": "target ball hit about a quarter full",
    "hit_thin": "target ball hit thin, by less than an eighth",
    "hit_left": "hit on its left side, as the ball came to it",
    "hit_right": "hit on its right side, as the ball came to it",
    "line_left": "the ball set off far to the left of any line that makes the shot",
    "line_right": "the ball set off far to the right of any line that makes the shot",
    "passed_left": "the ball passed to the left of its target, by how much was not told",
    "passed_right": "the ball passed to the right of its target, by how much was not told",
    "wrong_pocket": "the ball dropped, but into another pocket than the target's",
}


def known(flags: list[str]) -> tuple[str, ...]:
    """The flags, each once, in the order of the list. Raises KeyError for one that is not in it."""
    for flag in flags:
        FLAGS[flag]
    return tuple(flag for flag in FLAGS if flag in flags)
