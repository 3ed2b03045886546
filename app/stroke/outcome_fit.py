"""The stroke spread told by outcomes alone: how many were made of so many tries, against the margins."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, log, nan

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammaln, xlog1py, xlogy
from scipy.stats import chi2

from app.stroke.make_chance import make_chance
from calibration.table import Vector

LEVEL = 0.95
# Spreads between these are looked for, radians: microns at the far end of a table to a swing at random.
LEAST_RAD, LARGEST_RAD = 1e-6, 3.0
GRID = 200


@dataclass(frozen=True)
class OutcomeSpread:
    """Spread of greatest likelihood, radians, with its sd (NaN where the likelihood has no bend there) and its
    likelihood-ratio interval; ``low_rad`` is 0 and ``high_rad`` infinite where outcomes set no such limit.

    ``log_likelihood`` is that of the counts; ``deviance`` is twice what a rate of its own for every count gains over
    it, with one degree of freedom less than there are counts.
    """

    spread_rad: float
    sd_rad: float
    low_rad: float
    high_rad: float
    log_likelihood: float
    deviance: float


def spread_of_outcomes(
    left_rad: ArrayLike,
    right_rad: ArrayLike,
    tries: ArrayLike,
    made: ArrayLike,
    offset_rad: ArrayLike = 0.0,
    level: float = LEVEL,
) -> OutcomeSpread:
    """Maximum likelihood of ``made`` of ``tries`` (n,) against margins left and right of the needed line (n,), radians.

    ``offset_rad`` is by how much the line intended exceeds the needed one. Counts with unknown margins are left out.

    Raises ValueError when the counts cannot be, or none is left.
    """
    left, right, n, hits, off = (
        np.atleast_1d(v) for v in np.broadcast_arrays(*map(np.asarray, (left_rad, right_rad, tries, made, offset_rad)))
    )
    if np.any((hits < 0) | (hits > n)):
        raise ValueError("not more can be made than were tried")
    known = ~np.isnan(left) & ~np.isnan(right) & ~np.isnan(off) & (n > 0)
    if not known.any():
        raise ValueError("no count has margins")
    left, right, n, hits, off = left[known], right[known], n[known], hits[known], off[known]

    def value(log_spread: float) -> float:
        return binomial_log_likelihood(make_chance(left, right, np.exp(log_spread), off), n, hits)

    grid = np.linspace(log(LEAST_RAD), log(LARGEST_RAD), GRID)
    values = np.array([value(g) for g in grid])
    k = int(np.argmax(values))
    around = grid[max(k - 1, 0)], grid[min(k + 1, GRID - 1)]
    found = minimize_scalar(lambda g: -value(g), bounds=around, method="bounded", options={"xatol": 1e-10})
    best, top = float(found.x), float(value(found.x))
    spread = float(np.exp(best))
    limit = top - 0.5 * float(chi2.ppf(level, 1))
    low, high = 0.0, inf
    if values[0] < limit:
        low = float(np.exp(brentq(lambda g: value(g) - limit, grid[0], best)))
    if values[-1] < limit:
        high = float(np.exp(brentq(lambda g: value(g) - limit, best, grid[-1])))
    saturated = binomial_log_likelihood(hits / n, n, hits)
    return OutcomeSpread(spread, _sd(value, best, spread), low, high, top, 2 * (saturated - top))


def binomial_log_likelihood(chance: Vector, tries: Vector, made: Vector) -> float:
    """Of independent counts, with the coefficients that do not depend on the chances; -inf where one cannot be."""
    coefficient = gammaln(tries + 1) - gammaln(made + 1) - gammaln(tries - made + 1)
    return float(np.sum(coefficient + xlogy(made, chance) + xlog1py(tries - made, -chance)))


def _sd(value: Callable[[float], float], best: float, spread: float) -> float:
    step = 1e-3
    bend = (value(best - step) - 2 * value(best) + value(best + step)) / step**2
    return spread / float(np.sqrt(-bend)) if bend < 0 else nan
