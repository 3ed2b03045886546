"""The lines that a player delivered at one shot, as the cue ball's: beside a stated line, beside the one needed, and
the margins there.

For banks all is told of the cue ball's line (``from_attempts`` says how).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.store.logged import LoggedAttempt
from app.stroke.spread import Lines
from calibration.table import Vector

# Starts this near to one another (in the standard deviation along a direction) tell no slope along it.
LEAST_REACH_M = 0.03
# Degrees of freedom that must be left over before a slope is asked for.
LEFT_OVER = {"nearer": 2, "along": 6, "bend": 10}


@dataclass(frozen=True)
class Delivered:
    """Lines of one player at one shot on tables of one size; arrays (n,), radians, NaN where not known.

    ``deviation_rad`` is the delivered line less the stated one; ``error_rad`` the delivered line less the one needed,
    by the measured miss where there is one (``measured``), else by the shot's geometry; each with its stated sd. The
    line may exceed the needed one by ``left_rad`` and fall short of it by ``right_rad``. ``run`` numbers tries that
    follow on one another from one place, ``session`` those of one session and clip; ``turn_sd_rad`` is that of the turn
    that a clip's lines share. ``nearer_m`` is how a line turns when the point aimed at comes nearer (radians for one
    over metre), ``along_m`` how far along the line of aim the ball lay. ``usual_less_stated_rad`` is the line to the
    point that the needed lines pass, by measured misses, less the stated one; ``usual_nearer_m`` is as ``nearer_m``,
    for that point.
    """

    attempts: tuple[LoggedAttempt, ...]
    start_m: Vector
    deviation_rad: Vector
    sd_rad: Vector
    error_rad: Vector
    error_sd_rad: Vector
    measured: NDArray[np.bool_]
    magnified: Vector
    left_rad: Vector
    right_rad: Vector
    usual_less_stated_rad: Vector
    session: NDArray[np.int_]
    run: NDArray[np.int_]
    turn_sd_rad: Vector
    nearer_m: Vector
    usual_nearer_m: Vector
    along_m: Vector
    unused: tuple[tuple[LoggedAttempt, str], ...]

    def __len__(self) -> int:
        return len(self.attempts)

    @property
    def best_rad(self) -> Vector:
        """By how much the best line, in the middle of the margins, exceeds the needed one."""
        return (self.left_rad - self.right_rad) / 2

    @property
    def half_rad(self) -> Vector:
        return (self.left_rad + self.right_rad) / 2

    def round_runs(self) -> Lines:
        """Lines whose smooth part is a constant for each run of tries from one place."""
        return Lines(self.deviation_rad, self.sd_rad, self.run, np.zeros((len(self), 0)))

    def round_smooth(self) -> Lines:
        """Lines whose smooth part is a constant for each session and clip, and slopes along the starts."""
        return Lines(self.deviation_rad, self.sd_rad, self.session, self._columns(self.session))

    def errors(self, kept: NDArray[np.bool_]) -> tuple[Lines, Vector]:
        """How far the lines ``kept`` (n,) exceed those needed, by measured misses where there are three (else by the
        shot's geometry), one constant for all; and the columns at every line, (n, k)."""
        told = kept & self.measured
        told = told if int(told.sum()) >= 3 else kept & np.isfinite(self.error_rad)
        together = np.zeros(len(self), dtype=int)
        columns = self._columns(together, told)
        return Lines(self.error_rad[told], self.error_sd_rad[told], together[told], columns[told]), columns

    def needs(self, kept: NDArray[np.bool_]) -> tuple[Lines, Vector]:
        """How far the lines needed exceed the usual ones, of those ``kept`` (n,), whose misses are measured: what moves
        them from try to try is no part of the stroke's line; and the columns at every line, (n, k). A clip's turn is in
        the bearings alone, hence constants by session and clip."""
        sd = np.hypot(self.sd_rad, self.error_sd_rad)
        columns = self._columns(self.session, kept, self.usual_nearer_m)
        exceed = (self.deviation_rad - self.error_rad - self.usual_less_stated_rad)[kept]
        return Lines(exceed, sd[kept], self.session[kept], columns[kept]), columns

    def _columns(
        self, group: NDArray[np.int_], kept: NDArray[np.bool_] | None = None, nearer_m: Vector | None = None
    ) -> Vector:
        """What the starts let one ask, by their places alone, so that no choice hangs on how the lines fell; of the
        lines ``kept``, given at all, (n, k)."""
        kept = np.ones(len(self), dtype=bool) if kept is None else kept
        nearer = self.nearer_m if nearer_m is None else nearer_m
        if not kept.any():
            return np.zeros((len(self), 0))
        number = np.unique(group[kept], return_inverse=True)[1].reshape(-1)
        free = int(kept.sum() - number.max() - 1)
        # Constant and first slope are a point that lies elsewhere.
        candidates = (
            ("nearer", nearer, LEAST_REACH_M),
            ("along", self.along_m, LEAST_REACH_M),
            ("bend", nearer**2, LEAST_REACH_M * float(np.std(nearer[kept]))),
        )
        chosen: list[Vector] = []
        for name, column, reach in candidates:
            inner = column[kept] - _group_mean(column[kept], number)
            if chosen:
                others = np.column_stack([c[kept] - _group_mean(c[kept], number) for c in chosen])
                inner = inner - others @ np.linalg.lstsq(others, inner, rcond=None)[0]
            if free - len(chosen) - 1 >= LEFT_OVER[name] and float(np.std(inner)) > reach:
                chosen.append(column)
        return np.column_stack(chosen) if chosen else np.zeros((len(self), 0))


def _group_mean(column: Vector, number: NDArray[np.int_]) -> Vector:
    total = np.bincount(number, column)
    mean: Vector = (total / np.maximum(np.bincount(number), 1))[number]
    return mean
