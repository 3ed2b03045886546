"""What to shoot next, and how many more attempts to a wanted ellipse.

Greedy: each further attempt goes to the shootable place that shrinks the region most, given those before it. One in
three is kept for the question whether one point will do: it goes where a curve would show best.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from math import inf, isfinite, log, nan, sqrt
from typing import Any, Literal

import numpy as np
from scipy.special import fdtri

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.likelihood import Observations
from app.fitting.region import CONFIDENCE
from app.fitting.scatter import USUAL_SCATTER_RAD
from app.fitting.terms import row_information
from app.next_shot.design import Design, best, design
from app.next_shot.shootable import places, shootable
from calibration.errors import InputError
from calibration.table import Table, Vector
from vision.shot import Shot

Purpose = Literal["point", "curve"]
CURVE_EVERY = 3
# Before this many attempts a curve cannot be asked for: any three lines fit a point and a bend.
FEWEST_FOR_CURVE = 3
MOST_ATTEMPTS = 300
# Quantile of chi-square with two degrees of freedom.
CHI_SQUARE_2 = -2 * log(1 - CONFIDENCE)
SHORTEST_M, LONGEST_M = 0.001, 10.0


@dataclass(frozen=True)
class NextShot:
    """One attempt to come. ``start_m`` (2,) in the table frame; ``semi_major_m`` of the ellipse after it, NaN while
    there is none."""

    start_m: Vector
    purpose: Purpose
    semi_major_m: float


@dataclass(frozen=True)
class Plan:
    """The next attempts. ``wanted_m`` is the half-axis asked for (NaN when none was); ``attempts`` how many more it
    takes from places so chosen, ``attempts_as_before`` from those shot so far, None where that cannot be told or it
    takes more than MOST_ATTEMPTS; ``reason`` says why in a sentence. ``first_m`` (2,) is the start whose attempt would
    tell most of the point, also where the next one is kept for a curve."""

    shots: tuple[NextShot, ...]
    wanted_m: float = nan
    attempts: int | None = None
    attempts_as_before: int | None = None
    reason: str = ""
    first_m: Vector | None = None

    def to_json(self) -> dict[str, Any]:
        return {"next": shots_json(self.shots)} | self.until_json()

    def until_json(self) -> dict[str, Any]:
        """How many more attempts it takes, and why where that is not known."""
        return {
            "until_m": self.wanted_m if isfinite(self.wanted_m) else None,
            "attempts": self.attempts,
            "attempts_as_before": self.attempts_as_before,
            "reason": self.reason or None,
        }


def shots_json(shots: Sequence[NextShot]) -> list[dict[str, Any]]:
    return [
        {
            "start_m": [round(float(v), 4) for v in s.start_m],
            "for": s.purpose,
            "semi_major_m": round(s.semi_major_m, 4) if isfinite(s.semi_major_m) else None,
        }
        for s in shots
    ]


def plan(
    obs: Observations, found: Convergence, table: Table, shot: Shot | None, *, count: int = 3, wanted_m: float = nan
) -> Plan:
    """Plan ``count`` attempts, and tell how many it takes until the ellipse's long half-axis is ``wanted_m``.

    Raises InputError for a wanted half-axis that no table has use for.
    """
    if isfinite(wanted_m):
        check_wanted(wanted_m)
    if not len(obs):
        return Plan((), wanted_m, reason="no attempt says yet which line it needed.")
    now = begin(obs, found)
    grid = places(obs.start_m + table.centre_m, table) - table.centre_m
    can, known = partial(_can, shot=shot, table=table), dict[int, bool]()
    first = best(grid, now.gain(grid), can, known)
    first_m = None if first is None else first + table.centre_m
    shots: list[NextShot] = []
    attempts: int | None = None
    done = isfinite(wanted_m) and _half_axis(now, found, len(obs), 0) <= wanted_m
    while len(shots) < count or (isfinite(wanted_m) and found.ellipse is not None and attempts is None and not done):
        k = len(shots) + 1
        if k > MOST_ATTEMPTS:
            break
        purpose: Purpose = "curve" if (len(obs) + k) % CURVE_EVERY == 0 and len(obs) >= FEWEST_FOR_CURVE else "point"
        worth = now.curve_gain(grid) if purpose == "curve" else now.gain(grid)
        start = best(grid, worth, can, known)
        if start is None:
            why = "from no place of the table is this shot possible on ideal rails."
            return Plan(tuple(shots), wanted_m, reason=why, first_m=first_m)
        now = now.with_attempt(start)
        half = _half_axis(now, found, len(obs), k)
        shots.append(NextShot(start + table.centre_m, purpose, half if isfinite(half) else nan))
        if isfinite(wanted_m) and attempts is None and half <= wanted_m:
            attempts = k
    if done:
        return Plan(tuple(shots[:count]), wanted_m, 0, 0, first_m=first_m)
    reason = ""
    if isfinite(wanted_m) and found.ellipse is None:
        reason = "there is no ellipse yet: shoot these first."
    elif isfinite(wanted_m) and attempts is None:
        reason = f"it takes more than {MOST_ATTEMPTS} attempts."
    return Plan(tuple(shots[:count]), wanted_m, attempts, _as_before(obs, found, wanted_m), reason, first_m)


def check_wanted(wanted_m: float) -> None:
    """Raises InputError for a half-axis that no table has use for."""
    if not SHORTEST_M <= wanted_m <= LONGEST_M:
        raise InputError(f"an ellipse of {wanted_m:g} m is no use; ask for one between 1 mm and 10 m.")


def begin(obs: Observations, found: Convergence) -> Design:
    """What the attempts so far know; about parallel lines at the usual scatter where there is no fit yet."""
    if found.status == "refused":
        mean = obs.bearing_unit.mean(axis=0)
        family = np.array([np.arctan2(mean[1], mean[0]), 0.0])
        return design(family, obs.start_m, row_information(obs, family, USUAL_SCATTER_RAD), None)
    weight = row_information(obs, found.family, found.spread_rad)
    return design(found.family, obs.start_m, weight, found.family_covariance)


def _can(place_m: Vector, shot: Shot | None, table: Table) -> Any:
    return shootable(place_m + table.centre_m, shot, table)


def _half_axis(now: Design, found: Convergence, n: int, more: int) -> float:
    """Long half-axis to be expected after ``more`` attempts, infinite without an ellipse now.

    The threshold falls as that of F with two more than the attempts' freedom does, and never below chi-square's.
    """
    if found.ellipse is None:
        return inf
    bend = lines.point_jacobian(found.family)
    largest = float(np.linalg.eigvalsh(bend @ now.covariance @ bend.T)[-1])
    return sqrt(_threshold(found, n, more) * largest)


def _threshold(found: Convergence, n: int, more: int) -> float:
    assert found.ellipse is not None
    assert found.covariance_m2 is not None
    scale = found.ellipse.semi_major_m**2 / float(np.linalg.eigvalsh(found.covariance_m2)[-1])
    ratio = float(fdtri(2, n + more - 2, CONFIDENCE) / fdtri(2, n - 2, CONFIDENCE))
    return max(min(CHI_SQUARE_2, scale), scale * ratio)


def _as_before(obs: Observations, found: Convergence, wanted_m: float) -> int | None:
    """How many more attempts from the starts so far it takes: their information grows in proportion."""
    if found.ellipse is None or found.covariance_m2 is None or not isfinite(wanted_m):
        return None
    n, largest = len(obs), float(np.linalg.eigvalsh(found.covariance_m2)[-1])
    for more in range(1, MOST_ATTEMPTS + 1):
        if sqrt(_threshold(found, n, more) * largest * n / (n + more)) <= wanted_m:
            return more
    return None
