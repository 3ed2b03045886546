"""Balls that leap: where one goes twice its step in one frame, and before and after it as far as ever, a picture is
missing of which the film's times say nothing.

A film in which every sixth to thirtieth picture is left out, and the others are shown evenly, has leaps as regular as
that, and so few that they are told one by one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from calibration.table import Vector
from vision.track import Track

# Steps are judged that are longer than this; the one before and the one after are alike to this share of them.
LEAST_STEP_M, ALIKE = 0.006, 0.2
# How many steps long a step is: of one, and of one in which a picture is missing.
ONE, TWO = (0.75, 1.25), (1.7, 2.3)
# Pictures shown from one that is left out to the next, least and most. So many leaps, and no more than this share of
# them against it, show such turns.
TURNS, LEAST_LEAPS, AGAINST = (5, 30), 3, 0.2


@dataclass(frozen=True)
class Step:
    """A step from one frame to the next whose length is as of one picture, or as of two (``leapt``)."""

    time_s: float
    leapt: bool


def steps_of(tracks: Sequence[Track], shown_s: float) -> list[Step]:
    """What the balls under way tell of a film shown evenly, ``shown_s`` from frame to frame."""
    out = []
    for track in tracks:
        numbers = np.rint([s.time_s / shown_s for s in track.path]).astype(int)
        for k in range(len(numbers) - 3):
            if numbers[k + 3] - numbers[k] == 3:
                lasted = _lasted(np.diff([s.at_m for s in track.path[k : k + 4]], axis=0))
                if ONE[0] < lasted < ONE[1] or TWO[0] < lasted < TWO[1]:
                    out.append(Step(track.path[k + 1].time_s, lasted > TWO[0]))
    return out


def _lasted(steps_m: Vector) -> float:
    """How many steps long the second of three (3, 2) is, by those beside it; NaN where they do not tell."""
    usual = (steps_m[0] + steps_m[2]) / 2
    size = float(np.hypot(*usual))
    if size < LEAST_STEP_M or float(np.hypot(*(steps_m[2] - steps_m[0]))) > ALIKE * size:
        return float("nan")
    lasted = float(steps_m[1] @ usual) / size**2
    return lasted if float(np.hypot(*(steps_m[1] - lasted * usual))) < ALIKE * size else float("nan")


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
