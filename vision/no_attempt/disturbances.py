"""What happened between attempts, each thing told once: balls that somebody moved, and visits that moved none.

A hand that brings several balls to their places one after another makes one set-up; an arm that pushes several at once
rakes them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.table import Table
from vision.no_attempt.by_hand import Moved, departed, moved_by_hand
from vision.no_attempt.visits import Visit
from vision.reading import NotAttempt
from vision.sightings import Rest
from vision.strokes import BY_HAND, LEAST_MOVE_M, LEAST_SPEED_MPS, Ball, Stroke

SET_UP = "balls were set up by hand"
SEVERAL_MOVED = "balls were moved by hand"
RAKED = "balls were raked together"
_WORDS = {
    "put": "was moved by hand",
    "rolled": "was rolled by hand",
    "knocked": "was knocked away by hand or stick",
    "nudged": f"was nudged: slower than {LEAST_SPEED_MPS} m/s",
    "taken": "was taken off the table",
    "struck": "was struck again while it still rolled",
}
# Balls put down one after another, with no longer a pause, were set up in one go; a visit that ends no later than this
# after one was for it.
PAUSE_S = 2.5
# So many balls that leave their places within so short a time were pushed together.
RAKED_BALLS, AT_ONCE_S = 3, 1.0
# A ball known by name has lain for so long in all, or lay there as the film began; anything else may be a hand. One
# that is known is believed to lie where it was put after so long.
KNOWN_S, LAIN_S = 5.0, 0.8


# A ball that lies where it was left so soon after it set off was pushed all the way.
PUSHED_S = 2.0
# Two resting places are one when they were first seen as near in time as this.
SAME_S = 0.02
PUSHED = ("rolled", "knocked", "nudged", "struck")


@dataclass(frozen=True)
class _Told:
    """Something told: from when to when it lasted, and why it was no attempt."""

    from_s: float
    until_s: float
    why: str


@dataclass
class Disturbances:
    """Gathers what was seen between strokes, one stretch of a film after another."""

    table: Table
    _first_s: float = float("nan")
    _since_s: float = float("nan")
    _lain: list[tuple[str, Rest]] = field(default_factory=list)
    _left: list[Rest] = field(default_factory=list)
    _moved: list[Moved] = field(default_factory=list)
    _others: list[NotAttempt] = field(default_factory=list)
    _struck_s: list[float] = field(default_factory=list)

    def begin(self, first_s: float) -> None:
        """The film begins: what lies there by then was not put there."""
        self._first_s = self._since_s = first_s + LAIN_S

    def take(
        self, balls: Sequence[Ball], strokes: Sequence[Stroke], others: Sequence[NotAttempt], until_s: float
    ) -> None:
        """Take in a stretch up to ``until_s``: its balls, its strokes, the cue ball's moves that were none."""
        balls = _with_struck_as_cue(balls, strokes)
        for ball in balls:
            for rest in ball.rests:
                self._remember(ball.name, rest)
            self._left.extend(departed(ball))
        self._moved.extend(moved_by_hand(balls, strokes, self.table, self._since_s))
        places = [rest for ball in balls if ball.name == "cue" for rest in ball.rests]
        for other in others:
            if other.why == BY_HAND:
                to = next((rest for rest in places if rest.first_s > other.t_s), None)
                self._moved.append(Moved(other.t_s, other.t_s if to is None else to.first_s, "cue", "put"))
            else:
                self._others.append(other)
        self._struck_s.extend(stroke.launch.time_s for stroke in strokes)
        self._since_s = until_s

    def told(self, visits: Sequence[Visit]) -> list[NotAttempt]:
        """All that was no attempt, each once, in order of time."""
        moved = sorted((self._named(one) for one in self._moved if self._believed(one)), key=lambda one: one.from_s)
        moved, found = _pushed_together(moved, self._others)
        put = [one for one in moved if one.how == "put"]
        others = [other for other in self._others if not any(t.from_s <= other.t_s <= t.until_s for t in found)]
        others = [other for other in others if not any(_pushed_along(one, other) for one in put)]
        found += self._set_ups(put)
        for one in moved:
            again = any(name == one.ball and rest.last_s > one.until_s + AT_ONCE_S for name, rest in self._lain)
            if one.how in PUSHED or (one.how == "taken" and not again):
                found.append(_Told(one.from_s, one.until_s, _words(one)))
        seen = [visit for visit in visits if not any(_for_it(visit, one) for one in found)]
        told = [NotAttempt(one.from_s, one.why) for one in found] + [NotAttempt(v.t_s, v.why) for v in seen]
        return sorted([*told, *others], key=lambda one: one.t_s)

    def _set_ups(self, put: Sequence[Moved]) -> list[_Told]:
        groups: list[list[Moved]] = []
        for one in put:
            last_s = max((member.until_s for member in groups[-1]), default=one.from_s) if groups else float("-inf")
            struck = any(last_s < time_s < one.from_s for time_s in self._struck_s)
            if groups and not struck and one.from_s < last_s + PAUSE_S:
                groups[-1].append(one)
            else:
                groups.append([one])
        told = []
        begins = [group[0].from_s for group in groups[1:]] + [float("inf")]
        for group, next_s in zip(groups, begins[: len(groups)], strict=True):
            until_s = max(member.until_s for member in group)
            if len({member.ball for member in group}) == 1:
                why = _words(group[0])
            else:
                why = SET_UP if any(until_s < time_s < next_s for time_s in self._struck_s) else SEVERAL_MOVED
            told.append(_Told(group[0].from_s, until_s, why))
        return told

    def _remember(self, name: str, rest: Rest) -> None:
        """A resting place under the name that the ball has by now: the longer it is seen, the surer is its colour."""
        self._lain = [known for known in self._lain if not _same(known[1], rest)]
        self._lain.append((name, rest))

    def _named(self, one: Moved) -> Moved:
        name = next((name for name, rest in self._lain if one.lay is not None and _same(rest, one.lay)), one.ball)
        return replace(one, ball=name)

    def _stayed(self, own: Sequence[Rest], lay: Rest) -> bool:
        """Whether a ball that was out of sight for a while lies where it lay before, and was not seen to leave."""
        before = max((r for r in own if r.last_s < lay.first_s), key=lambda r: r.last_s, default=None)
        if before is None or any(_same(before, left) for left in self._left):
            return False
        return float(np.hypot(*(before.at_m - lay.at_m))) < LEAST_MOVE_M

    def _believed(self, one: Moved) -> bool:
        name = self._named(one).ball
        lay_s = max((r.last_s - r.first_s for _, r in self._lain if one.lay and _same(r, one.lay)), default=LAIN_S)
        own = [rest for other, rest in self._lain if other == name]
        known = name == "cue" or sum(rest.last_s - rest.first_s for rest in own) >= KNOWN_S
        if one.lay is not None and self._stayed(own, one.lay):
            return False
        return lay_s >= LAIN_S and (known or any(rest.first_s <= self._first_s for rest in own))


def _pushed_together(moved: Sequence[Moved], others: Sequence[NotAttempt]) -> tuple[list[Moved], list[_Told]]:
    """Moves of several balls at once, told as one; and the moves that remain."""
    left = [one for one in moved if not one.sent]
    together = []
    for first in moved:
        same = [one for one in moved if first.from_s <= one.from_s < first.from_s + AT_ONCE_S]
        cue = any(first.from_s <= other.t_s < first.from_s + AT_ONCE_S for other in others)
        balls = {one.ball for one in same} | ({"cue"} if cue else set())
        pushed = [one for one in same if one.how in PUSHED]
        if first in left and (len(balls) >= RAKED_BALLS or (len(balls) > 1 and pushed)):
            left = [one for one in left if one not in same]
            why = RAKED if len(balls) >= RAKED_BALLS else SEVERAL_MOVED
            together.append(_Told(first.from_s, max(one.until_s for one in same), why))
    return left, together


def _pushed_along(put: Moved, other: NotAttempt) -> bool:
    """Whether a move of the cue ball ended soon where somebody left it: it did not roll by itself."""
    began = abs(put.from_s - other.t_s) < AT_ONCE_S
    return put.ball == "cue" and began and put.until_s < other.t_s + PUSHED_S


def _for_it(visit: Visit, told: _Told) -> bool:
    """Whether somebody came for what is told already."""
    return told.from_s - PAUSE_S < visit.t_s < told.until_s + AT_ONCE_S and visit.until_s < told.until_s + PAUSE_S


def _with_struck_as_cue(balls: Sequence[Ball], strokes: Sequence[Stroke]) -> list[Ball]:
    """The balls, the one that was struck named cue ball where two are white."""
    for ball in balls:
        if ball.name != "cue" and any(_same(rest, stroke.rest) for stroke in strokes for rest in ball.rests):
            swap = {ball.name: "cue", "cue": ball.name}
            return [replace(b, name=swap.get(b.name, b.name)) for b in balls]
    return list(balls)


def _words(one: Moved) -> str:
    colour = one.ball.split("-")[0]
    return f"the {'white' if colour == 'light' else colour} ball {_WORDS[one.how]}"


def _same(one: Rest, other: Rest) -> bool:
    # Where rows are read one after another, times shift a little with the mean place.
    return abs(one.first_s - other.first_s) < SAME_S and float(np.hypot(*(one.at_m - other.at_m))) < LEAST_MOVE_M
