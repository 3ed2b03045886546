"""A ball that showed another colour once it rolled: followed as a new ball, it is the one that lay where it set off.

A stripe lies with its white or its coloured side up and shows both by turns as it rolls. Sent off, it may look so
unlike what lay there that the tracker begins a new ball: then one vanishes as another appears beside it, coming from
its place.
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
        whole = replace(
            last,
            ident=first.ident,
            colour=first.colour,
            rests=[*whole.rests, *last.rests],
            path=[*whole.path, *last.path],
            frames=whole.frames + last.frames,
        )
    return whole


def _goes_on(old: Track, new: Track) -> bool:
    """Whether ``new`` begins where and when ``old``, which lay still, was seen for the last time."""
    if not old.gone or not old.rests or len(new.path) < LEAST_SEEN:
        return False
    rest, first = old.rests[-1], new.path[0]
    moved_before = any(s.time_s > rest.last_s for s in old.path)
    rested_before = any(r.first_s < first.time_s for r in new.rests)
    unseen_s = first.time_s - rest.last_s
    if moved_before or rested_before or not 0 < unseen_s < MISSED_S:
        return False
    path = legs(Path.of(new.path))[0].part(slice(0, MOST_SEEN))
    if len(path) < LEAST_SEEN or np.hypot(*(path.xy[0] - rest.at_m)) > FASTEST_MPS * unseen_s:
        return False
    line = fit_line(path)
    away = float((path.xy[0] - rest.at_m) @ line.direction)
    if away <= 0 or abs(line.miss(rest.at_m)[0]) >= FROM_PLACE_M:
        return False
    # One that was seen no sooner was missed where it lay, and left since.
    left_s = first.time_s - away / max(motion_at(path, first.time_s).speed_mps, 1e-3)
    return unseen_s < AT_ONCE_S or left_s > rest.last_s
