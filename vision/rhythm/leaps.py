"""Balls that leap: where one goes twice its step in one frame, and before and after it as far as ever, a picture is
missing of which the film's times say nothing.

A film in which every sixth to thirtieth picture is left out, and the others are shown evenly, has leaps as regular as
that, and so few that they are told one by one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import cos, hypot
from statistics import fmean, median
from typing import NamedTuple

import numpy as np

from vision.track import Track

# Steps are judged that are longer than this, by so many before and as many after in the same direction: by three of
# them at least, or by two of which it is told how long they lasted. Those are alike to this share of them, but for some
# that leap themselves; two that are told, farther apart perhaps, of a ball that slides as it comes off a rail, to that.
LEAST_STEP_M, BESIDE, LEAST_BESIDE, LEAST_TOLD, ALIKE, TOLD_ALIKE = 0.006, 3, 3, 2, 0.2, 0.3
COS_ALIKE = cos(ALIKE)
# A step is so many times as long as those beside it, give or take this, for each picture that it lasted; no more are
# told than that.
OFF, MOST_PICTURES = 0.3, 4
# Pictures shown from one that is left out to the next, least and most. So many leaps, and no more than this share of
# them against it, show such turns.
TURNS, LEAST_LEAPS, AGAINST = (5, 30), 3, 0.2


@dataclass(frozen=True)
class Step:
    """A step from one frame to the next that is as long as of so many ``pictures``: 1 where none is missing."""

    time_s: float
    pictures: int

    @property
    def leapt(self) -> bool:
        return self.pictures > 1


def steps_of(tracks: Sequence[Track], shown_s: float) -> list[Step]:
    """What the balls under way tell of a film shown evenly, ``shown_s`` from frame to frame."""
    out = []
    for track in tracks:
        numbers = np.rint([s.time_s / shown_s for s in track.path]).astype(int)
        ends = np.flatnonzero(np.diff(numbers) != 1) + 1
        for first, until in zip([0, *ends], [*ends, len(numbers)], strict=True):
            steps_m = np.diff([s.at_m for s in track.path[first:until]], axis=0)
            steps = _Steps.of([(x, y) for x, y in steps_m.tolist()])
            for k, pictures in _pictures(steps).items():
                # One that was hardly told from a ball beside it may lag behind.
                unsure_m = max(s.sd_m for s in track.path[first + k : first + k + 2])
                if unsure_m < ALIKE * steps.lengths_m[k]:
                    out.append(Step(track.path[first + k].time_s, pictures))
    return out


class _Steps(NamedTuple):
    """Some steps in a row, metres, how long each is, and the numbers of those that go its way just before and after.

    Plain numbers: there are a few of them at a time, and many times.
    """

    m: list[tuple[float, float]]
    lengths_m: list[float]
    beside: list[tuple[list[int], list[int]]]

    @classmethod
    def of(cls, m: list[tuple[float, float]]) -> "_Steps":
        lengths_m = [hypot(x, y) for x, y in m]
        steps = cls(m, lengths_m, [])
        steps.beside.extend((steps.onward(k, -1), steps.onward(k, 1)) for k in range(len(m)))
        return steps

    def onward(self, k: int, way: int) -> list[int]:
        """The numbers of the next steps from the k-th on, before or after it, as far as they go its way."""
        found: list[int] = []
        for j in range(k + way, k + way * (BESIDE + 1), way):
            if not (0 <= j < len(self.m) and self.same_way(j, k)):
                break
            found.append(j)
        return found

    def same_way(self, j: int, k: int) -> bool:
        (x, y), (other_x, other_y) = self.m[j], self.m[k]
        size = self.lengths_m[j] * self.lengths_m[k]
        return size > 0 and x * other_x + y * other_y > COS_ALIKE * size


def _pictures(steps: _Steps) -> dict[int, int]:
    """How many pictures those of some steps lasted of which that is told."""
    told: dict[int, int] = {}
    again = True
    while again:
        # By what is told of some steps more of their neighbours are told.
        new = {k: _lasted(steps, k, told) for k in range(len(steps.m)) if k not in told}
        told |= {k: pictures for k, pictures in new.items() if pictures}
        again = any(new.values())
    return told


def _lasted(steps: _Steps, k: int, told: Mapping[int, int]) -> int:
    """How many steps long the k-th is, by those beside it; 0 where they do not tell.

    Of those beside it that are ``told`` it is known how long they lasted. Of others some may have leapt, but most have
    not, and none is too short, as after a place that was seen wrongly.
    """
    before, after = steps.beside[k]
    sides = [[j for j in side if j in told] for side in (before, after)]
    # The nearest ones, for a ball may slow down: one on either side, or two on one.
    known = [j for side in sides for j in (side[:1] if all(sides) else side[:LEAST_TOLD])]
    lengths_m = [steps.lengths_m[j] for j in before + after]
    if len(known) == LEAST_TOLD:
        ones_m = [steps.lengths_m[j] / told[j] for j in known]
        alike = max(ones_m) - min(ones_m) < TOLD_ALIKE * fmean(ones_m)
    elif len(lengths_m) >= LEAST_BESIDE:
        usual_m = median(lengths_m)
        ones_m = [length_m for length_m in lengths_m if abs(length_m / usual_m - 1) < ALIKE]
        alike = len(ones_m) >= max(LEAST_BESIDE, len(lengths_m) / 2)
        alike = alike and all(_off(length_m / usual_m) < OFF for length_m in lengths_m)
    else:
        return 0
    if not alike:
        return 0
    one_m = fmean(ones_m)
    if one_m < LEAST_STEP_M or _seen_off(steps, k, one_m):
        return 0
    lasted = steps.lengths_m[k] / one_m
    return round(lasted) if _off(lasted) < OFF and round(lasted) <= MOST_PICTURES else 0


def _seen_off(steps: _Steps, k: int, one_m: float) -> bool:
    """Whether the k-th step is long, or short, since the place between it and the next was seen wrongly: that one is
    too short, and the ball then goes on as before."""
    return any(
        steps.lengths_m[k + way] < (1 - OFF) * one_m and steps.same_way(k + 2 * way, k)
        for way in (-1, 1)
        if 0 <= k + 2 * way < len(steps.m)
    )


def _off(lasted: float) -> float:
    """By how much a length is off a whole number of steps, one at least."""
    return abs(lasted - max(round(lasted), 1))


def seldom_left_out(steps: Sequence[Step], shown_s: float) -> tuple[Fraction, int] | None:
    """How many pictures were taken for each that is shown, and the phase of the turns (see ``left_out.Turns``)."""
    leapt = np.array([step.leapt for step in steps], dtype=bool)
    if leapt.sum() < LEAST_LEAPS:
        return None
    numbers = np.rint([step.time_s / shown_s for step in steps]).astype(int)
    best, found = 0.0, None
    for turn in range(TURNS[0], TURNS[1] + 1):
        for phase in range(turn):
            due = (numbers + 1 + phase) % turn == 0
            hits = len(np.unique(numbers[due & leapt]))
            against = int((due != leapt).sum())
            if hits >= LEAST_LEAPS and against <= AGAINST * hits and hits - against > best:
                best, found = hits - against, (Fraction(turn + 1, turn), phase)
    return found
