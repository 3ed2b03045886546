"""Balls that somebody moved without a stroke: set up, put elsewhere, rolled, nudged, raked, taken off.

Where a ball lay before and after, and how it came from one place to the other, tells it. A ball by itself sets off only
when another one runs into it, gains no speed on its way, and comes to rest by and by.
"""

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from calibration.table import POCKETS, Table, Vector
from vision.no_attempt.nearness import GAIN, GAIN_MPS, HIT_WITHIN_S, PASSED_M, any_near, apart_m
from vision.no_attempt.struck_again import struck_again
from vision.sightings import Rest, Sighting
from vision.strokes import LEAST_MOVE_M, LEAST_SPEED_MPS, Ball, Stroke

How = Literal["put", "rolled", "knocked", "nudged", "taken", "struck"]
# A ball that somebody holds is seen now and then; one that rolls free is seen so often in a row, in no crowd.
UNSEEN_S, LEAST_FREE, FREE_S = 0.25, 4, 0.4
# One that is seen on its way so soon after it was last seen lying was not covered by a hand.
AT_ONCE_S = 0.15
# A ball has arrived once it is this near to where it then lies; this much of its way there tells how.
ARRIVED_M, LATELY_S = 0.015, 0.5
# How hard cloth slows a rolling ball, from slow to fast cloth with room to spare (common practice, no source), and
# the share of its speed that a rail may leave it.
MOST_DRAG_MPS2, LEAST_DRAG_MPS2, RAIL_SHARE = 0.25, 0.05, 0.3
# What sightings are off makes a speed over less than this unsure.
SPEED_OVER_S = 0.015
# A hand that sends a ball on lets it go no later than this after it was last seen.
SWUNG_S = 1.0
# A loss this long before a ball is seen again tells when it was taken.
TAKEN_UP_S = 20.0
# A ball that vanishes this near to the middle of a pocket's mouth, with nothing over it, dropped.
AT_POCKET_M = 0.15
# What lay nowhere for this long may be a hand, taken for a ball.
LAIN_S = 2.5


@dataclass(frozen=True)
class Moved:
    """Somebody moved ``ball``: when that began and ended, how, and how it then ``lay`` (None: it did not).

    ``sent`` says that another ball ran into it that somebody had moved.
    """

    from_s: float
    until_s: float
    ball: str
    how: How
    lay: Rest | None = None
    sent: bool = False


@dataclass(frozen=True)
class _Way:
    """A ball's way from where it lay to where it came to lie; None where that was not seen."""

    ball: Ball
    away: Rest | None
    to: Rest | None
    path: tuple[Sighting, ...]

    @property
    def left_s(self) -> float:
        return self.away.last_s if self.away is not None else float("-inf")

    @property
    def ended_s(self) -> float:
        return self.to.first_s if self.to is not None else float("inf")


def moved_by_hand(balls: Sequence[Ball], strokes: Sequence[Stroke], table: Table, since_s: float) -> list[Moved]:
    """What was moved without a stroke after ``since_s``, up to when all was known before.

    The cue ball's ways from rest are told by ``find_strokes``; here it is told of for where it was put, and for what
    was done to it on its way.
    """
    ways = [way for ball in balls for way in _ways(ball)]
    struck = {k for k, way in enumerate(ways) if _struck(way, strokes)}
    by_stroke = _with_hit(struck, ways, table)
    pushed = {k for k, way in enumerate(ways) if way.ball.name == "cue"} - by_stroke
    found: list[Moved] = []
    for k in sorted(range(len(ways)), key=lambda k: ways[k].left_s):
        way = ways[k]
        found.extend(_sent_on(way, ways, table))
        if way.to is not None and way.to.first_s > since_s and _was_put(way.path, way.to, way.ball, table):
            rolled = k in by_stroke or any(run[-1].time_s - run[0].time_s > FREE_S for run in _free_runs(way.path))
            began_s = _taken_s(way, table) if rolled or way.away is None else way.left_s
            found.append(Moved(began_s, way.to.first_s, way.ball.name, "put", way.to))
        elif k not in by_stroke and way.away is not None and way.ball.name != "cue":
            by_push = k in _with_hit(pushed, ways, table)
            found.extend(replace(one, sent=by_push) for one in _pushed(way, way.away))
            pushed.add(k)
    return found


def _ways(ball: Ball) -> list[_Way]:
    """From each rest to the next, where that is elsewhere or the ball was away in between."""
    found = []
    for away, to in zip([None, *ball.rests], [*ball.rests, None], strict=True):
        left_s = away.last_s if away is not None else float("-inf")
        until_s = to.first_s if to is not None else float("inf")
        path = tuple(s for s in ball.path if left_s < s.time_s < until_s)
        gone = any(left_s - 0.05 < loss.time_s < until_s for loss in ball.lost)
        # One that was lost from view where it lay, and is seen there again, lay there all the while.
        gone = gone and (to is None or (away is not None and _seen_off(away, path)))
        elsewhere = away is None or (to is not None and apart_m(away.at_m, to.at_m) >= LEAST_MOVE_M)
        if elsewhere or gone or (to is None and len(path) >= LEAST_FREE):
            found.append(_Way(ball, away, to, path))
    return found


def _seen_off(away: Rest, path: Sequence[Sighting]) -> bool:
    """Whether a ball was seen, free, off the place where it had lain."""
    return any(not s.in_crowd and apart_m(s.at_m, away.at_m) >= LEAST_MOVE_M for s in path)


def _struck(way: _Way, strokes: Sequence[Stroke]) -> bool:
    """Whether a stroke set the ball off; one that was under way before anything was seen may have been struck."""
    if way.away is None:
        return len(way.path) > 0
    return any(_same(way.away, stroke.rest) for stroke in strokes)


def _with_hit(movers: Set[int], ways: Sequence[_Way], table: Table) -> set[int]:
    """Some balls' ways, and those of all that they may have run into, and these into others."""
    found, new = set(movers), set(movers)
    while new:
        left = set(range(len(ways))) - found
        new = {k for k in left if any(_may_have_hit(ways[m], ways[k], table) for m in new)}
        found |= new
    return found


def _may_have_hit(mover: _Way, way: _Way, table: Table) -> bool:
    """Whether a ball under way passed one that lay still as that one set off, or nobody saw where it was then."""
    if way.away is None or mover.ball is way.ball or not mover.left_s - HIT_WITHIN_S < way.left_s < mover.ended_s:
        return False
    left_s = way.left_s
    first_s = min((s.time_s for s in way.path), default=left_s)
    seen = [s for s in mover.path if left_s - HIT_WITHIN_S < s.time_s < first_s + HIT_WITHIN_S]
    if mover.away is not None and mover.left_s > left_s - HIT_WITHIN_S:
        seen.insert(0, Sighting(mover.left_s, mover.away.at_m, mover.away.sd_m, False))
    if not seen:
        lost = any(mover.left_s < loss.time_s < left_s - HIT_WITHIN_S for loss in mover.ball.lost)
        return not lost
    places = np.array([s.at_m for s in seen])
    reach = 2 * table.ball_radius_m + PASSED_M
    steps = np.diff(places, axis=0, append=places[-1:])
    length2 = np.maximum((steps**2).sum(axis=1), 1e-12)
    share = np.clip(((way.away.at_m - places) * steps).sum(axis=1) / length2, 0, 1)
    return bool(np.hypot(*(places + share[:, None] * steps - way.away.at_m).T).min() < reach)


def _sent_on(way: _Way, ways: Sequence[_Way], table: Table) -> list[Moved]:
    """Where a ball that was under way goes on faster, with no other one near that could have sent it."""
    runs = _free_runs(way.path)
    found: list[Moved] = []
    for before, after in pairwise(runs):
        slow, fast = _latest_mps(before[-8:]), _speed_mps(after[:8])
        if after[-1].time_s - after[0].time_s < FREE_S or fast < max(slow + GAIN_MPS, GAIN * slow):
            continue
        others = [other for other in ways if other.ball is not way.ball and _lain(other.ball)]
        if not any(_may_have_met(other.path, before[-1], after[0], table) for other in others):
            one = Moved(before[-1].time_s, after[-1].time_s, way.ball.name, "rolled")
            if found and one.from_s < found[-1].until_s + SWUNG_S:
                # It was seen in the hand that let it go only then.
                one = replace(one, from_s=found.pop().from_s)
            found.append(one)
    paths = [other.path for other in ways if other.ball is not way.ball]
    for run in runs:
        k = struck_again(run, paths, table)
        if k is not None:
            how: How = "struck" if way.ball.name == "cue" else "knocked"
            found.append(Moved(run[k].time_s, run[-1].time_s, way.ball.name, how))
    return found


def _may_have_met(path: Sequence[Sighting], last: Sighting, first: Sighting, table: Table) -> bool:
    """Whether another ball was close to where one was between two sightings, or was not seen then either."""
    from_s, to_s = last.time_s - HIT_WITHIN_S, first.time_s + HIT_WITHIN_S
    seen = [s for s in path if from_s < s.time_s < to_s]
    if not any(last.time_s < s.time_s < first.time_s for s in seen):
        return any(s.time_s <= last.time_s for s in path) and any(s.time_s >= first.time_s for s in path)
    return any_near(seen, last, first, table)


def _pushed(way: _Way, away: Rest) -> list[Moved]:
    """A ball that nothing had hit left its place under somebody's eyes, or vanished from it."""
    runs = _free_runs(way.path)
    seen = [s for run in runs for s in run]
    if not seen:
        crowded = any(loss.crowded for loss in way.ball.lost if loss.time_s > away.last_s - 0.05)
        return [Moved(away.last_s, away.last_s, way.ball.name, "taken")] if way.to is None and crowded else []
    if max(apart_m(s.at_m, away.at_m) for s in seen) < LEAST_MOVE_M:
        return []
    fastest = max(_speed_mps(run[k : k + LEAST_FREE]) for run in runs for k in range(len(run) - LEAST_FREE + 1))
    how: How = "nudged"
    if fastest > LEAST_SPEED_MPS:
        # Something over it as it set off is a hand.
        hand = way.path[0].in_crowd or seen[0].time_s - away.last_s > AT_ONCE_S
        how = "rolled" if hand else "knocked"
    return [Moved(away.last_s, min(way.ended_s, seen[-1].time_s), way.ball.name, how)]


def _was_put(path: Sequence[Sighting], to: Rest, ball: Ball, table: Table) -> bool:
    """Whether a ball did not come to rest by itself where it then lies."""
    there = len(path)
    while there > 0 and apart_m(path[there - 1].at_m, to.at_m) < ARRIVED_M:
        there -= 1
    arrived_s = path[there].time_s if there < len(path) else to.first_s
    before = [s for s in path[:there] if s.time_s <= arrived_s]
    if not before:
        return True
    lost = [loss for loss in ball.lost if before[-1].time_s - 0.05 < loss.time_s < arrived_s]
    if any(loss.crowded for loss in lost) or (lost and _at_pocket(before[-1].at_m, table)):
        return True
    last, runs = before[-1], _free_runs(before)
    if not runs:
        return True
    run = runs[-1]
    unseen_s, way_m = arrived_s - run[-1].time_s, apart_m(to.at_m, run[-1].at_m)
    speed = _speed_mps(run[-8:])
    if unseen_s < UNSEEN_S:
        return way_m > ARRIVED_M + 2 * speed * unseen_s + MOST_DRAG_MPS2 * unseen_s**2
    # Out of sight it may have rolled on, and met a rail; but no farther than it could, and not in less time.
    too_far = way_m > speed**2 / (2 * LEAST_DRAG_MPS2) + LEAST_MOVE_M
    too_soon = to.first_s - run[-1].time_s < RAIL_SHARE * speed / MOST_DRAG_MPS2
    return too_far or too_soon or last is not run[-1]


def _taken_s(way: _Way, table: Table) -> float:
    """When a ball that had rolled was taken up; when it was put down, where that was not seen."""
    assert way.to is not None
    runs = _free_runs([s for s in way.path if apart_m(s.at_m, way.to.at_m) > ARRIVED_M])
    last = runs[-1][-1] if runs else way.path[-1] if way.path else None
    if last is None:
        return max(way.left_s, way.ended_s - TAKEN_UP_S) if way.away is not None else way.ended_s
    crowded = any(loss.crowded and last.time_s - 0.05 < loss.time_s < way.ended_s for loss in way.ball.lost)
    dropped = not crowded and _at_pocket(last.at_m, table)
    return way.ended_s if dropped or way.ended_s - last.time_s > TAKEN_UP_S else last.time_s


def _at_pocket(place_m: Vector, table: Table) -> bool:
    mouths = np.array([table.mouth_m(pocket) for pocket in POCKETS])
    return bool(np.hypot(*(mouths - place_m).T).min() < AT_POCKET_M)


def departed(ball: Ball) -> list[Rest]:
    """Those of the places where a ball lay that it was then seen to leave."""
    ways = _ways(ball)
    return [way.away for way in ways if way.away is not None and _seen_off(way.away, way.path)]


def _free_runs(path: Sequence[Sighting]) -> list[list[Sighting]]:
    """Sightings in a row of a ball that nobody holds."""
    runs: list[list[Sighting]] = [[]]
    for sighting in path:
        if sighting.in_crowd or (runs[-1] and sighting.time_s - runs[-1][-1].time_s > UNSEEN_S):
            runs.append([])
        if not sighting.in_crowd:
            runs[-1].append(sighting)
    return [run for run in runs if len(run) >= LEAST_FREE]


def _speed_mps(run: Sequence[Sighting]) -> float:
    """Mean speed over sightings in a row."""
    return apart_m(run[-1].at_m, run[0].at_m) / max(run[-1].time_s - run[0].time_s, 1e-6)


def _latest_mps(run: Sequence[Sighting]) -> float:
    """The greatest mean speed to the last sighting, over two steps at least where there are as many: one that has just
    turned back at a rail is not slow."""
    last = run[-1]
    before = [s for s in run[:-2] if last.time_s - s.time_s > SPEED_OVER_S] or run[:-1]
    return max(apart_m(last.at_m, s.at_m) / max(last.time_s - s.time_s, 1e-6) for s in before)


def _lain(ball: Ball) -> bool:
    return any(rest.last_s - rest.first_s > LAIN_S for rest in ball.rests)


def _same(one: Rest, other: Rest) -> bool:
    return one.first_s == other.first_s and apart_m(one.at_m, other.at_m) < LEAST_MOVE_M
