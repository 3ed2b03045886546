"""A ball that showed another colour once it rolled: followed as a new ball, it is the one that lay where it set off.

A stripe lies with its white or its coloured side up and shows both by turns as it rolls. Sent off, it may look so
unlike what lay there that the tracker begins a new ball: then one vanishes as another appears beside it, coming from
its place. Or both are seen by turns for some frames, before the new one is followed for good.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from vision.legs import Path, fit_line, legs, motion_at
from vision.pairing import FASTEST_MPS
from vision.track import Track

# The new ball is first seen so soon after the old one was seen last, and its line passes its place this closely. Under
# a stick, or with the cue ball beside it, the old one may be missed for a while before it sets off.
AT_ONCE_S, MISSED_S, FROM_PLACE_M = 0.1, 0.25, 0.02
# The old one is seen no longer than this by turns with the new one.
BY_TURNS_S = 0.25
# So many sightings tell where it comes from; fewer than the first number tell nothing.
LEAST_SEEN, MOST_SEEN = 3, 8


def rejoined(tracks: Sequence[Track]) -> list[Track]:
    """The tracks, with those of a ball that changed its colour as it set off put together under its first one."""
    follows = {old.ident: [new for new in tracks if _goes_on(old, new)] for old in tracks}
    heirs = [new.ident for found in follows.values() for new in found]
    # Where two balls may have come from a place, or one from two places, nothing is known.
    heir = {old: found[0] for old, found in follows.items() if len(found) == 1 and heirs.count(found[0].ident) == 1}
    taken = {new.ident for new in heir.values()}
    return [_whole(track, heir) for track in tracks if track.ident not in taken]


def _whole(first: Track, heir: Mapping[int, Track]) -> Track:
    """A track with what follows on it, and on that: a ball that is sent off twice may change its colour twice."""
    whole, last = first, first
    while last.ident in heir:
        last = heir[last.ident]
        # Seen by turns, it may have been lost as either.
        lost_as = whole if whole.seen_s > last.seen_s else last
        whole = replace(
            lost_as,
            ident=first.ident,
            colour=first.colour,
            rests=[*whole.rests, *last.rests],
            path=sorted([*whole.path, *last.path], key=lambda s: s.time_s),
            frames=whole.frames + last.frames,
        )
    return whole


def _goes_on(old: Track, new: Track) -> bool:
    """Whether ``new`` begins where and when ``old``, which lay still, was seen last, or is seen by turns with it."""
    if not old.gone or not old.rests or len(new.path) < LEAST_SEEN:
        return False
    rest = old.rests[-1]
    by_turns = [s for s in old.path if s.time_s > rest.last_s]
    both = sorted([*by_turns, *new.path], key=lambda s: s.time_s)
    first = both[0]
    rested_before = any(r.first_s < first.time_s for r in new.rests)
    unseen_s = first.time_s - rest.last_s
    if rested_before or not 0 < unseen_s < MISSED_S:
        return False
    if by_turns:
        # Two that are seen at once are two balls.
        at_once = {s.time_s for s in by_turns} & {s.time_s for s in new.path}
        if at_once or by_turns[-1].time_s > first.time_s + BY_TURNS_S or new.path[0].time_s > by_turns[-1].time_s:
            return False
    path = legs(Path.of(both))[0].part(slice(0, MOST_SEEN))
    if len(path) < LEAST_SEEN or np.hypot(*(path.xy[0] - rest.at_m)) > FASTEST_MPS * unseen_s:
        return False
    line = fit_line(path)
    away = float((path.xy[0] - rest.at_m) @ line.direction)
    if away <= 0 or abs(line.miss(rest.at_m)[0]) >= FROM_PLACE_M:
        return False
    # One that was seen no sooner was missed where it lay, and left since.
    left_s = first.time_s - away / max(motion_at(path, first.time_s).speed_mps, 1e-3)
    return unseen_s < AT_ONCE_S or left_s > rest.last_s
