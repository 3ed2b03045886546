"""A ball that is struck, or knocked on, while it still rolls: it is faster all at once, and no other ball is near.

Its own spin speeds a ball up too, after it has met another one full; but no faster than friction can.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from calibration.table import Table
from vision.legs import MOST_DECELERATION_MPS2, Path
from vision.no_attempt.nearness import GAIN, GAIN_MPS, HIT_WITHIN_S, any_near
from vision.sightings import Rest, Sighting

# Speeds before and after are told by so many steps from sighting to sighting, none of them shorter than this.
STEPS, STEP_S = 3, 0.015
# A ball out of sight for longer may have met anything.
UNSEEN_S = 0.25
# What goes on for no longer may be something else that was taken for the ball.
GOES_ON_S = 0.4


def sudden_gains(path: Sequence[Sighting]) -> list[int]:
    """The numbers of sightings after which a ball was faster all at once than friction can make it."""
    kept = _spaced(path)
    if len(kept) < 2 * STEPS + 2:
        return []
    times = np.array([path[k].time_s for k in kept])
    took_s = np.diff(times)
    speeds = np.hypot(*np.diff(np.array([path[k].at_m for k in kept]), axis=0).T) / took_s
    noise = np.array([np.hypot(path[a].sd_m, path[b].sd_m) for a, b in pairwise(kept)]) / took_s
    # The step in which it was struck belongs to neither side.
    struck = np.arange(STEPS, len(speeds) - STEPS)
    medians = np.median(sliding_window_view(speeds, STEPS), axis=1)
    before, after = medians[struck - STEPS], medians[struck + 1]
    middles_s = sliding_window_view(times, STEPS + 1).mean(axis=1)
    apart_s = middles_s[struck + 1] - middles_s[struck - STEPS]
    unsure = 4 * np.median(sliding_window_view(noise, 2 * STEPS + 1), axis=1)
    friction = before + GAIN_MPS + MOST_DECELERATION_MPS2 * apart_s
    more = after - np.maximum(GAIN * before, friction) - unsure
    seen = sliding_window_view(took_s, 2 * STEPS + 1).max(axis=1) <= UNSEEN_S
    found = [(gain, k) for gain, k in zip(more[seen].tolist(), struck[seen].tolist(), strict=True) if gain > 0]
    best: list[int] = []
    for _, k in sorted(found, reverse=True):
        if all(abs(k - other) > STEPS for other in best):
            best.append(k)
    return sorted(kept[k] for k in best)


def struck_again(path: Sequence[Sighting], others: Iterable[Sequence[Sighting]], table: Table) -> int | None:
    """The number of the sighting after which a ball was struck as it rolled, and went on for a while.

    ``others`` are the sightings of other balls under way: none was near, and none was out of sight just then.
    """
    others = list(others)
    for k in sudden_gains(path):
        if path[-1].time_s - path[k].time_s > GOES_ON_S and not any(
            _near(o, path[k], path[k + 1], table) for o in others
        ):
            return k
    return None


def under_way(rests: Sequence[Rest], path: Sequence[Sighting], since_s: float) -> list[Sighting]:
    """The sightings of a ball from a moment on until it came to rest."""
    until_s = min((rest.first_s for rest in rests if rest.first_s > since_s), default=float("inf"))
    return [s for s in path if since_s <= s.time_s <= until_s]


def _near(path: Sequence[Sighting], last: Sighting, first: Sighting, table: Table) -> bool:
    """Whether another ball was close to where one was between two sightings, or was lost from sight then."""
    if not path or path[0].time_s > first.time_s or path[-1].time_s < last.time_s:
        return False
    seen = [s for s in path if last.time_s - HIT_WITHIN_S < s.time_s < first.time_s + HIT_WITHIN_S]
    return not seen or any_near(seen, last, first, table)


def _spaced(path: Sequence[Sighting]) -> list[int]:
    """Numbers of sightings that are far enough apart in time to tell speeds; of something else elsewhere, none."""
    kept: list[int] = []
    of_the_ball = set(Path.of(path).t.tolist())
    for k, sighting in enumerate(path):
        if sighting.time_s not in of_the_ball:
            continue
        if not kept or sighting.time_s - path[kept[-1]].time_s >= STEP_S:
            kept.append(k)
    return kept
