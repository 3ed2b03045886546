"""Balls that leap: where one goes twice its step in one frame, and before and after it as far as ever, a picture is
missing of which the film's times say nothing.

A film in which every sixth to thirtieth picture is left out, and the others are shown evenly, has leaps as regular as
that, and so few that they are told one by one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from calibration.table import Vector
from vision.track import Track

# Steps are judged that are longer than this, by so many before and as many after in the same direction: by three of
# them at least, or by two of which it is told how long they lasted. Those are alike to this share of them, but for some
# that leap themselves; two that are told, farther apart perhaps, of a ball that slides as it comes off a rail, to that.
LEAST_STEP_M, BESIDE, LEAST_BESIDE, LEAST_TOLD, ALIKE, TOLD_ALIKE = 0.006, 3, 3, 2, 0.2, 0.3
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
            for k, pictures in _pictures(steps_m).items():
                # One that was hardly told from a ball beside it may lag behind.
                unsure_m = max(s.sd_m for s in track.path[first + k : first + k + 2])
                if unsure_m < ALIKE * float(np.hypot(*steps_m[k])):
                    out.append(Step(track.path[first + k].time_s, pictures))
    return out


def _pictures(steps_m: Vector) -> dict[int, int]:
    """How many pictures those of some steps in a row (n, 2) lasted of which that is told."""
    told: dict[int, int] = {}
    again = True
    while again:
        # By what is told of some steps more of their neighbours are told.
        new = {k: _lasted(steps_m, k, told) for k in range(len(steps_m)) if k not in told}
        told |= {k: pictures for k, pictures in new.items() if pictures}
        again = any(new.values())
    return told


def _lasted(steps_m: Vector, k: int, told: Mapping[int, int]) -> int:
    """How many steps long the k-th of some steps in a row (n, 2) is, by those beside it; 0 where they do not tell.

    Of those beside it that are ``told`` it is known how long they lasted. Of others some may have leapt, but most have
    not, and none is too short, as after a place that was seen wrongly.
    """
    before, after = _onward(steps_m, k, -1), _onward(steps_m, k, 1)
    sides = [[j for j in side if j in told] for side in (before, after)]
    # The nearest ones, for a ball may slow down: one on either side, or two on one.
    known = [j for side in sides for j in (side[:1] if all(sides) else side[:LEAST_TOLD])]
    lengths = np.array([np.hypot(*steps_m[j]) for j in before + after])
    if len(known) == LEAST_TOLD:
        one = np.array([np.hypot(*steps_m[j]) / told[j] for j in known])
        alike = float(np.ptp(one)) < TOLD_ALIKE * float(one.mean())
    elif len(lengths) >= LEAST_BESIDE:
        long = lengths / np.median(lengths)
        one = lengths[np.abs(long - 1) < ALIKE]
        alike = len(one) >= max(LEAST_BESIDE, len(lengths) / 2) and bool((_off(long) < OFF).all())
    else:
        return 0
    if not alike or one.mean() < LEAST_STEP_M or _seen_off(steps_m, k, float(one.mean())):
        return 0
    lasted = float(np.hypot(*steps_m[k]) / one.mean())
    return round(lasted) if _off(np.array(lasted)) < OFF and round(lasted) <= MOST_PICTURES else 0


def _seen_off(steps_m: Vector, k: int, one_m: float) -> bool:
    """Whether the k-th step is long, or short, since the place between it and the next was seen wrongly: that one is
    too short, and the ball then goes on as before."""
    return any(
        np.hypot(*steps_m[k + way]) < (1 - OFF) * one_m and _same_way(steps_m[k + 2 * way], steps_m[k])
        for way in (-1, 1)
        if 0 <= k + 2 * way < len(steps_m)
    )


def _same_way(one: Vector, other: Vector) -> bool:
    size = float(np.hypot(*one)) * float(np.hypot(*other))
    return size > 0 and float(one @ other) > np.cos(ALIKE) * size


def _off(lasted: Vector) -> Vector:
    """By how much lengths are off a whole number of steps, one at least."""
    return np.asarray(np.abs(lasted - np.maximum(np.rint(lasted), 1)))


def _onward(steps_m: Vector, k: int, way: int) -> list[int]:
    """The numbers of the next steps (n, 2) from the k-th on, before or after it, as far as they go its way."""
    found: list[int] = []
    for j in range(k + way, k + way * (BESIDE + 1), way):
        if not 0 <= j < len(steps_m):
            break
        if not _same_way(steps_m[j], steps_m[k]):
            break
        found.append(j)
    return found


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
