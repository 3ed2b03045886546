"""What each attempt says of the bearing it needed: the likelihood of its error, measured or known by its outcome.

An attempt's error is ``e = (given bearing - predicted bearing) - N z``. ``z`` are nuisances with a standard normal
prior, the columns of ``N`` what one standard deviation of each does to every bearing: the gain of the miss correction
(one per shot) and the common turn of each clip. They enter linearly, so they are fitted along with a penalty z^2/2;
for measured attempts that is the same as integrating them out, and it spares a dense covariance (with a hundred clips
the matrices stay small, and interval attempts need no other code).

Errors are normal with variance scatter^2 + sd^2 of the row. A measured attempt gives its density, with an even
chance anywhere for wrong entries if asked for; an attempt that is only known as made, or missed to a side, gives the
probability of the interval in which its needed bearing must lie (censored), or an even chance if it is a wrong entry.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from math import log

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from app.fitting import lines
from calibration.table import Vector

# A wrong entry may lie anywhere within a range of this breadth, evenly: it tells nothing of the scatter then, which a
# wide second normal would let it pull up.
WRONG_RANGE_RAD = 0.35
# The share of wrong entries that is allowed for, and from how many attempts on: fewer cannot show one up. Chosen by
# coverage: a larger share calls the tails of clean logs wrong, a smaller one believes errors of three to five sd.
WRONG_SHARE = 0.02
FEWEST_FOR_WEIGHTS = 8
# No bearing is better known than this, whatever is stated (a thousandth of a millimetre across a table).
LEAST_SD_RAD = 1e-7
# Nuisances that share no row are worth being treated apart from so many on.
FEWEST_APART = 5
ROOT_TWO_PI = float(np.sqrt(2 * np.pi))
# Odds beyond this are as good as certain, and below what overflows.
MOST_LOG_ODDS = 600.0


def wrong_share_of(n: int) -> float:
    """The share of wrong entries that is allowed for among n attempts."""
    return WRONG_SHARE if n >= FEWEST_FOR_WEIGHTS else 0.0


@dataclass(frozen=True)
class Observations:
    """Attempts at one shot, ready for the fit. Lengths in metres from the table's centre, angles in radians.

    ``start_m`` (n, 2). ``bearing_rad`` (n,): the needed bearing of a measured attempt (fully corrected), the delivered
    one of an interval attempt. ``sd_rad`` (n,): stated error. ``nuisance_rad`` (n, q). ``low_rad`` and ``high_rad``
    (n,): for an interval attempt, between which limits needed minus delivered lies (infinite where open), NaN for a
    measured one; ``outside`` (n,) turns the interval round (missed, side not known). ``wrong_share``: the share of
    wrong entries that the likelihood allows for (0: none).
    """

    start_m: Vector
    bearing_rad: Vector
    sd_rad: Vector
    nuisance_rad: Vector
    low_rad: Vector
    high_rad: Vector
    outside: NDArray[np.bool_]
    wrong_share: float = 0.0

    def __len__(self) -> int:
        return len(self.bearing_rad)

    def some(self, keep: NDArray[np.bool_]) -> "Observations":
        """The rows of ``keep`` (n,)."""
        return replace(
            self,
            start_m=self.start_m[keep],
            bearing_rad=self.bearing_rad[keep],
            sd_rad=self.sd_rad[keep],
            nuisance_rad=self.nuisance_rad[keep],
            low_rad=self.low_rad[keep],
            high_rad=self.high_rad[keep],
            outside=self.outside[keep],
        )

    @cached_property
    def bearing_unit(self) -> Vector:
        return lines.unit(self.bearing_rad)

    @cached_property
    def measured(self) -> NDArray[np.bool_]:
        return np.isnan(self.low_rad)

    @cached_property
    def all_measured(self) -> bool:
        return bool(self.measured.all())

    @cached_property
    def apart(self) -> int:
        """How many of the last nuisances share no row with one another, 0 where that is not worth the trouble."""
        touched = self.nuisance_rad != 0
        count = touched.shape[1]
        rows = np.zeros(len(self), dtype=bool)
        apart = 0
        while apart < count and not (rows & touched[:, count - 1 - apart]).any():
            rows |= touched[:, count - 1 - apart]
            apart += 1
        return apart if apart >= FEWEST_APART else 0

    @cached_property
    def nuisance_products(self) -> Vector:
        """Products of nuisances, (n, r q + t): of the first r = q - t with each of all q, and of the t that are apart
        with themselves."""
        n, q = self.nuisance_rad.shape
        r = q - self.apart
        overlapping = self.nuisance_rad[:, :r, None] * self.nuisance_rad[:, None, :]
        return np.concatenate([overlapping.reshape(n, r * q), self.nuisance_rad[:, r:] ** 2], axis=1)

    @cached_property
    def reach_m(self) -> float:
        """How far from the centre the farthest start lies."""
        return float(np.sqrt(np.max(np.sum(self.start_m**2, axis=1), initial=0.0)))


def measured_bearings(
    start_m: Vector, bearing_rad: Vector, sd_rad: Vector | float = 0.0, nuisance_rad: Vector | None = None
) -> Observations:
    """Observations that are all measured. Shapes as in Observations."""
    n = len(bearing_rad)
    return Observations(
        start_m=np.asarray(start_m, dtype=float),
        bearing_rad=np.asarray(bearing_rad, dtype=float),
        sd_rad=np.broadcast_to(np.asarray(sd_rad, dtype=float), (n,)),
        nuisance_rad=np.zeros((n, 0)) if nuisance_rad is None else np.asarray(nuisance_rad, dtype=float),
        low_rad=np.full(n, np.nan),
        high_rad=np.full(n, np.nan),
        outside=np.zeros(n, dtype=bool),
    )


def half_log_norm(variance: Vector) -> Vector:
    """Half the logarithm of 2 pi times the variances: what of a normal density depends on them alone."""
    return np.asarray(0.5 * np.log(2 * np.pi * variance))


def row_terms(
    error_rad: Vector, variance: Vector, obs: Observations, log_norm: Vector | None = None
) -> tuple[Vector, Vector, Vector]:
    """Log-likelihood of each row, its derivative by the error, and a curvature that is never negative.

    ``error_rad`` (1 or more, n) of variances (..., n); ``log_norm`` is ``half_log_norm`` of these, if it is known
    already. For wrong entries the curvature is that of the weighted normal (each row's information counts with its
    weight), since the true one can be negative.
    """
    log_norm = half_log_norm(variance) if log_norm is None else log_norm
    value, slope, curvature = measured_terms(error_rad, variance, log_norm, obs.wrong_share)
    if obs.all_measured:
        return value, slope, curvature
    value, slope, curvature = value.copy(), np.array(slope), np.array(curvature)
    k = ~obs.measured
    sd = np.sqrt(variance[..., k])
    inside, push, bend = _interval_terms(
        (error_rad[..., k] + obs.low_rad[k]) / sd, (error_rad[..., k] + obs.high_rad[k]) / sd, sd, obs.outside[k]
    )
    if obs.wrong_share > 0:
        inside, right = _or_even_chance(inside, obs.wrong_share)
        push, bend = push * right, bend * right
    value[..., k], slope[..., k], curvature[..., k] = inside, push, bend
    return value, slope, curvature


def measured_terms(
    error_rad: Vector, variance: Vector, log_norm: Vector, wrong_share: float
) -> tuple[Vector, Vector, Vector]:
    """As ``row_terms``, for measured rows alone."""
    curvature = 1 / variance
    slope = -error_rad * curvature
    value = 0.5 * error_rad * slope - log_norm
    if wrong_share > 0:
        # As in ``weights``, of which nothing is computed twice here: this is where the fit's time goes.
        odds = np.exp(np.minimum(_log_odds_of_wrong(wrong_share) - value, MOST_LOG_ODDS))
        right = 1 / (1 + odds)
        value = _or_anywhere(value, right, wrong_share)
        slope = slope * right
        curvature = np.asarray(curvature * right)
    return value, slope, curvature


def total_value(error_rad: Vector, variance: Vector, obs: Observations) -> Vector:
    """Sum of the rows' log-likelihoods alone, shape (...): as in ``row_terms``, at half the price."""
    k = obs.measured
    e, v = error_rad[..., k], variance[..., k]
    value = -0.5 * e**2 / v - 0.5 * np.log(2 * np.pi * v)
    if obs.wrong_share > 0:
        value = _or_anywhere(value, weights(e, v, obs.wrong_share), obs.wrong_share)
    sd = np.sqrt(variance[..., ~k])
    low, high = (error_rad[..., ~k] + obs.low_rad[~k]) / sd, (error_rad[..., ~k] + obs.high_rad[~k]) / sd
    interval = _interval_value(low, high, obs.outside[~k])
    if obs.wrong_share > 0:
        interval = _or_even_chance(interval, obs.wrong_share)[0]
    total: Vector = value.sum(axis=-1) + interval.sum(axis=-1)
    return total


def row_weights(error_rad: Vector, variance: Vector, obs: Observations) -> Vector:
    """How far each row counts, in (0, 1], shapes as in ``row_terms``: 1 throughout unless wrong entries are allowed."""
    if obs.wrong_share == 0:
        return np.ones(error_rad.shape)
    weight = weights(error_rad, variance, obs.wrong_share)
    k = ~obs.measured
    if k.any():
        sd = np.sqrt(variance[..., k])
        low, high = (error_rad[..., k] + obs.low_rad[k]) / sd, (error_rad[..., k] + obs.high_rad[k]) / sd
        weight[..., k] = _or_even_chance(_interval_value(low, high, obs.outside[k]), obs.wrong_share)[1]
    return weight


def _or_even_chance(log_probability: Vector, wrong_share: float) -> tuple[Vector, Vector]:
    """Log-probability of an outcome when a share of entries is wrong, and the weight of this one as a right entry."""
    right = np.log(1 - wrong_share) + log_probability
    total = np.logaddexp(right, np.log(wrong_share / 2))
    return total, np.exp(right - total)


def _or_anywhere(log_density: Vector, right: Vector, wrong_share: float) -> Vector:
    """Log-density of a measured row when a share of entries lies anywhere; ``right`` is its weight as a right entry."""
    density: Vector = log(1 - wrong_share) + log_density - np.log(right)
    # The weight is floored; far out only the even density is left.
    return np.maximum(density, log(wrong_share / WRONG_RANGE_RAD))


def weights(error_rad: Vector, variance: Vector, wrong_share: float) -> Vector:
    """Probability that a measured row is a right entry, given its error: 1 for a perfect one, near 0 for a wild one."""
    log_odds = _log_odds_of_wrong(wrong_share) + half_log_norm(variance) + 0.5 * error_rad**2 / variance
    weight: Vector = 1 / (1 + np.exp(np.minimum(log_odds, MOST_LOG_ODDS)))
    return weight


def _log_odds_of_wrong(wrong_share: float) -> float:
    """Of a wrong entry against a right one of unit density."""
    return log(wrong_share / (1 - wrong_share) / WRONG_RANGE_RAD)


def _interval_value(low: Vector, high: Vector, outside: NDArray[np.bool_]) -> Vector:
    """log P(low < standard normal < high), or of its complement. Limits in sds, increasing."""
    # In the upper tail the difference of two numbers near one loses all digits; mirrored, it keeps them.
    flip = low + high > 0
    a, b = log_ndtr(np.where(flip, -high, low)), log_ndtr(np.where(flip, -low, high))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        value = b + np.log1p(-np.exp(a - b))
        if outside.any():
            value = np.where(outside, np.logaddexp(log_ndtr(low), log_ndtr(-high)), value)
    floored: Vector = np.maximum(value, -1e6)
    return floored


def _interval_terms(low: Vector, high: Vector, sd: Vector, outside: NDArray[np.bool_]) -> tuple[Vector, Vector, Vector]:
    """Value, slope and curvature of the interval's log-probability by the error."""
    value = _interval_value(low, high, outside)
    with np.errstate(invalid="ignore", over="ignore"):
        sign = np.where(outside, -1.0, 1.0)
        at_low = sign * np.exp(np.clip(-0.5 * low**2 - value, -700.0, 300.0)) / ROOT_TWO_PI
        at_high = sign * np.exp(np.clip(-0.5 * high**2 - value, -700.0, 300.0)) / ROOT_TWO_PI
        at_low, at_high = np.where(np.isinf(low), 0.0, at_low), np.where(np.isinf(high), 0.0, at_high)
        slope = at_high - at_low
        low_0, high_0 = np.where(np.isinf(low), 0.0, low), np.where(np.isinf(high), 0.0, high)
        curvature = slope**2 + at_high * high_0 - at_low * low_0
    # The complement's likelihood is not log-concave; where it bends upwards only its slope is used.
    return value, slope / sd, np.maximum(curvature, 1e-6) / sd**2
