"""The stroke spread: how far delivered lines scatter round the line intended, the measurement's own error taken out.

Each line deviates from a stated one by what is smooth (where the player aims instead: a constant for each group of
lines, and slopes along given columns), by the stroke's own error, and by the measurement's, whose standard deviation is
stated and added in quadrature. The estimate is the one of greatest restricted likelihood: what the constants and slopes
cost is counted. The interval rests on the weighted sum of squares round the smooth part,

    Q(s) = least of sum((deviation - smooth)^2 / (s^2 + stated^2)),

which at the true spread is chi-squared with as many degrees of freedom as lines less constants and slopes, exactly, for
normal errors, at any number of lines: Q is a falling function of s, and its quantiles turn into limits (Viechtbauer,
Statistics in Medicine 26, 37-52, 2007, for the same model of studies that scatter).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, t

from calibration.table import Vector

Flags = NDArray[np.bool_]
Numbers = NDArray[np.int_]

LEVEL = 0.95
# So many equally weighted spreads stand for what is not known of it.
NODES = 25
LEAST_RAD, LARGEST_RAD = 1e-7, 10.0
COARSE = 60
# Rounds of ever finer grids, each a sixth of the last's step, and Newton's steps: to about seven digits.
ROUNDS, FINE, STEPS = 6, 13, 7
# A line is set apart when chance would put one so far from the others in less than this share of all logs.
ODD_SHARE = 0.001
MOST_ODD_SHARE = 0.1


@dataclass(frozen=True)
class Lines:
    """Deviations (n,) with stated sds (n,; 0 where none is), radians; ``group`` (n,) numbers those that share a
    constant, and ``columns`` (n, k) are what the rest of the smooth part is made of."""

    deviation_rad: Vector
    sd_rad: Vector
    group: Numbers
    columns: Vector

    def __len__(self) -> int:
        return len(self.deviation_rad)

    @property
    def freedom(self) -> int:
        return len(self) - len(np.unique(self.group)) - self.columns.shape[1]

    def some(self, kept: Flags) -> "Lines":
        return Lines(self.deviation_rad[kept], self.sd_rad[kept], self.group[kept], self.columns[kept])


@dataclass(frozen=True)
class Spread:
    """The spread, radians, within ``low_rad`` and ``high_rad`` (95 %), from so many ``lines`` with so many degrees of
    ``freedom``; NaN where there are none. ``sd_rad`` is about its standard deviation. ``nodes_rad`` are spreads that
    are each as likely as the next, lowest first: integrals over what is not known of the spread are means over them.
    """

    lines: int
    freedom: int
    spread_rad: float
    sd_rad: float
    low_rad: float
    high_rad: float
    nodes_rad: Vector

    @property
    def known(self) -> bool:
        return isfinite(self.spread_rad)


@dataclass(frozen=True)
class Smooth:
    """The smooth part at one spread: its value at each line (n,) with the sd of that, the weighted residuals (n,) in
    their own standard deviations, the constants (g,) with their sds, and the slopes (k,) with their sds."""

    value_rad: Vector
    sd_rad: Vector
    standardised: Vector
    constants_rad: Vector
    constants_sd_rad: Vector
    slopes: Vector
    slopes_sd: Vector


def spread_of(sets: Sequence[Lines], level: float = LEVEL) -> Spread:
    """The one spread of several sets of lines, each with a smooth part of its own.

    NaN throughout when no line is left over for it.
    """
    sets = [_sorted(one) for one in sets if one.freedom > 0]
    lines, freedom = sum(len(one) for one in sets), sum(one.freedom for one in sets)
    if freedom <= 0:
        return Spread(lines, max(freedom, 0), nan, nan, nan, nan, np.full(NODES, nan))
    shares = np.concatenate([[(1 - level) / 2], (np.arange(NODES) + 0.5) / NODES, [(1 + level) / 2]])
    # A spread that is exceeded with chance u has the u-quantile of Q.
    limits = _where(sets, chi2.ppf(1 - shares, freedom))
    nodes = limits[1:-1]
    sd = float(np.std(nodes)) if np.isfinite(nodes).all() else nan
    return Spread(lines, freedom, _likeliest(sets), sd, float(limits[0]), float(limits[-1]), nodes)


def likeliest_spread(lines: Lines) -> float:
    """The estimate alone, radians; NaN where no line is left over for it."""
    return _likeliest([_sorted(lines)]) if lines.freedom > 0 else nan


def alike(sets: Sequence[Lines]) -> float:
    """Chance of likelihoods so much better with a spread of its own for each set, when all have the same.

    NaN with fewer than two sets that tell.
    """
    sets = [_sorted(one) for one in sets if one.freedom > 0]
    if len(sets) < 2:
        return nan
    together = _restricted_at(sets, _likeliest(sets))
    apart = sum(_restricted_at([one], _likeliest([one])) for one in sets)
    if not isfinite(apart - together):
        return nan
    # Bartlett's correction, for few degrees of freedom (Proc. Royal Society A 160, 268-282, 1937; from memory).
    freedoms = np.array([one.freedom for one in sets], dtype=float)
    stretch = 1 + (np.sum(1 / freedoms) - 1 / freedoms.sum()) / (3 * (len(sets) - 1))
    return float(chi2.sf(max(2 * (apart - together), 0.0) / stretch, len(sets) - 1))


def smooth_of(lines: Lines, spread_rad: float) -> Smooth:
    """The smooth part of a set of lines at a spread (above zero where any line states no error)."""
    order = np.argsort(lines.group, kind="stable")
    ranked = _sorted(lines)
    fit = _weighted(ranked, np.array([spread_rad]))
    group, weight, total, slopes, inverse = ranked.group, fit.weight[0], fit.total[0], fit.slopes[0], fit.inverse[0]
    column_means = fit.means[0][:, 1:]
    inner = ranked.columns - column_means[group]
    constants = fit.means[0][:, 0] - column_means @ slopes
    # A value's variance: that of its group's mean, and of the slopes over the distance from it.
    value_variance = 1 / total[group] + np.einsum("ik,kl,il->i", inner, inverse, inner)
    residual_sd = np.sqrt(np.maximum(1 / weight - value_variance, 1e-12 / weight))
    value = constants[group] + ranked.columns @ slopes
    constants_variance = 1 / total + np.einsum("ik,kl,il->i", column_means, inverse, column_means)
    back = np.argsort(order, kind="stable")
    return Smooth(
        value_rad=value[back],
        sd_rad=np.sqrt(value_variance)[back],
        standardised=((ranked.deviation_rad - value) / residual_sd)[back],
        constants_rad=constants,
        constants_sd_rad=np.sqrt(constants_variance),
        slopes=slopes,
        slopes_sd=np.sqrt(np.diag(inverse)),
    )


def smooth_at(lines: Lines, spread_rad: float, columns: Vector) -> tuple[Vector, Vector]:
    """The smooth part of lines that all share one constant, at other places (their columns, (m, k)): its value with
    its sd, (m,)."""
    fit = _weighted(_sorted(lines), np.array([spread_rad]))
    inner = columns - fit.means[0, 0, 1:]
    variance = 1 / fit.total[0, 0] + np.einsum("ik,kl,il->i", inner, fit.inverse[0], inner)
    return fit.means[0, 0, 0] + inner @ fit.slopes[0], np.sqrt(variance)


def least_spread(lines: Lines) -> float:
    """A spread, radians, so small beside anything that it only keeps weights finite; none where all state an error."""
    return 0.0 if len(lines) and float(lines.sd_rad.min()) > 0 else 1e-6


def odd_lines(lines: Lines, share: float = ODD_SHARE) -> dict[int, float]:
    """Lines so far from the others that chance hardly puts them there, by index, with how many standard deviations.

    The farthest is set apart and the rest looked at anew, until none is odd or a tenth has gone. Told by the residual
    over a spread that the line itself has no part in, Student's t, against the share divided by the number of lines.
    """
    kept, found = np.ones(len(lines), dtype=bool), dict[int, float]()
    while len(found) < MOST_ODD_SHARE * len(lines):
        rest = lines.some(kept)
        if rest.freedom < 2:
            break
        spread, nu = _likeliest([_sorted(rest)]), rest.freedom
        e = smooth_of(rest, spread).standardised
        # A line alone in its group has no residual.
        number = np.unique(rest.group, return_inverse=True)[1].reshape(-1)
        e = np.where(np.bincount(number)[number] < 2, 0.0, e)
        scale = max(float(_weighted(_sorted(rest), np.array([spread])).squares[0]) / nu, 1.0)
        worst = int(np.argmax(np.abs(e)))
        square = float(e[worst]) ** 2 / scale
        away = sqrt(square * (nu - 1) / max(nu - square, 1e-9))
        if 2 * len(rest) * float(t.sf(away, nu - 1)) >= share:
            break
        index = int(np.flatnonzero(kept)[worst])
        found[index] = away
        kept[index] = False
    return found


@dataclass(frozen=True)
class _Weighted:
    """Weighted least squares at m spreads: weights (m, n), their sums by group (m, g), means of the deviation and of
    each column by group (m, g, 1 + k), slopes (m, k) with their covariance (m, k, k), Q (m,), and the log determinants
    (m,) that the restricted likelihood takes besides."""

    weight: Vector
    total: Vector
    means: Vector
    slopes: Vector
    inverse: Vector
    squares: Vector
    slope_of_squares: Vector
    determinant: Vector


def _sorted(lines: Lines) -> Lines:
    """By group, groups numbered from 0: then sums over groups are sums over stretches."""
    order = np.argsort(lines.group, kind="stable")
    number: Numbers = np.unique(lines.group, return_inverse=True)[1].reshape(-1)
    return Lines(lines.deviation_rad[order], lines.sd_rad[order], number[order], lines.columns[order])


def _weighted(ranked: Lines, spread_rad: Vector) -> _Weighted:
    variance = np.maximum(spread_rad[:, None] ** 2 + ranked.sd_rad**2, LEAST_RAD**2)
    weight = 1 / variance
    first = np.flatnonzero(np.diff(ranked.group, prepend=-1))
    total = np.add.reduceat(weight, first, axis=1)
    every = np.column_stack([ranked.deviation_rad, ranked.columns])
    means = np.add.reduceat(weight[:, :, None] * every, first, axis=1) / total[:, :, None]
    inner = every - means[:, ranked.group]
    columns, residual = inner[:, :, 1:], inner[:, :, 0]
    information = np.einsum("mnk,mn,mnl->mkl", columns, weight, columns)
    inverse = np.linalg.inv(information)
    slopes = np.einsum("mkl,mnl,mn,mn->mk", inverse, columns, weight, residual)
    residual = residual - np.einsum("mnk,mk->mn", columns, slopes)
    determinant = np.log(variance).sum(axis=1) + np.log(total).sum(axis=1) + np.linalg.slogdet(information)[1]
    weighted = weight * residual**2
    # The smooth part is the best at each spread, so its own change adds nothing to the derivative.
    falling = -2 * spread_rad**2 * np.sum(weight * weighted, axis=1)
    return _Weighted(weight, total, means, slopes, inverse, weighted.sum(axis=1), falling, determinant)


def _restricted(sets: Sequence[Lines], log_spread: Vector) -> Vector:
    fits = [_weighted(one, np.exp(log_spread)) for one in sets]
    value: Vector = -0.5 * np.sum([fit.squares + fit.determinant for fit in fits], axis=0)
    return value


def _restricted_at(sets: Sequence[Lines], spread_rad: float) -> float:
    return float(_restricted(sets, np.log([max(spread_rad, LEAST_RAD)]))[0])


def _likeliest(sets: Sequence[Lines]) -> float:
    """Spread of greatest restricted likelihood; 0 when the stated errors account for everything."""
    grid = np.linspace(log(LEAST_RAD), log(LARGEST_RAD), COARSE)
    for _ in range(ROUNDS):
        k = int(np.argmax(_restricted(sets, grid)))
        if k == 0 and grid[0] <= log(LEAST_RAD):
            return 0.0
        grid = np.linspace(grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)], FINE)
    return float(np.exp(grid[len(grid) // 2]))


def _where(sets: Sequence[Lines], value: Vector) -> Vector:
    """The spreads at which Q has fallen to the values, (m,); 0 where it is below that without any, infinite where it
    never gets there. Newton's steps on the log of Q, kept between limits."""
    grid = np.linspace(log(LEAST_RAD), log(LARGEST_RAD), COARSE)
    falling = np.sum([_weighted(one, np.exp(grid)).squares for one in sets], axis=0)
    after = np.searchsorted(-falling, -value)
    low, high = grid[np.clip(after - 1, 0, None)], grid[np.clip(after, None, COARSE - 1)]
    at = (low + high) / 2
    for _ in range(STEPS):
        fits = [_weighted(one, np.exp(at)) for one in sets]
        squares = np.sum([fit.squares for fit in fits], axis=0)
        slope = np.sum([fit.slope_of_squares for fit in fits], axis=0)
        low, high = np.where(squares > value, at, low), np.where(squares > value, high, at)
        with np.errstate(divide="ignore", invalid="ignore"):
            newton = at - np.log(squares / value) * squares / slope
        at = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
    return np.where(after == 0, 0.0, np.where(after == COARSE, inf, np.exp(at)))
