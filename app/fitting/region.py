"""The confidence region of the convergence point, and its ellipse.

For one scatter, a family's plausibility is exp(-drop), drop being how far its log-likelihood (nuisances at their best)
lies below the best; twice the drop is chi-square with two degrees of freedom, so exp(-drop) is the p-value. Averaged
over the scatter's nodes it is the p-value given here, and the 95 % region is where it is 0.05 or more.

Where nothing but the scatter spreads the bearings, the average has a closed form, (RSS/RSS_min)^(-nu/2), and the
region is exactly that of the profile likelihood with the F threshold: RSS <= RSS_min (1 + 2 F(2, nu)/nu), or
n log(1 + 2 F(2, nu)/nu) on twice the drop of the log-likelihood, nu = n - 2. Where stated errors dominate (and the
scatter tends to nothing) it turns into the chi-square region by itself, which the F threshold would miss by far
(n = 5: 9.98 instead of 5.99); in between it lies in between. Priors on the scatter and interval attempts need no other
rule.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import hypot, pi

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.information import gathered
from app.fitting.likelihood import LEAST_SD_RAD, Observations, total_value, weights
from app.fitting.maximum import profile_value
from app.fitting.scatter import ScatterNodes
from calibration.table import Vector

CONFIDENCE = 0.95
RAYS = 72
# The outline is looked for at these multiples of the linear ellipse's radius.
BRACKETS = (0.95, 1.1, 1.5, 2.2, 3.2, 4.5, 6.5, 9.0, 13.0, 18.0, 25.0)
# Steps from a bracket to the outline at most, and how near in the logarithm of the p-value is near enough.
REFINEMENTS = 9
CLOSE = 2e-3
# Chosen by coverage of logs of 30 to 200 outcomes: their scatter and their point are not told independently, as by
# misses they are, and without this the regions would hold the truth in about 94 %.
OUTCOMES_WIDENING = 0.05
# A log-likelihood this far below the best adds nothing to a p-value of a few per cent.
FAR_DROP = 7.0


@dataclass(frozen=True)
class Ellipse:
    """Semi-axes in metres, direction of the major one in [0, pi)."""

    confidence: float
    semi_major_m: float
    semi_minor_m: float
    angle_rad: float

    @property
    def area_m2(self) -> float:
        return pi * self.semi_major_m * self.semi_minor_m


def ellipse_of(covariance_m2: Vector, scale_squared: float, confidence: float = CONFIDENCE) -> Ellipse:
    """The ellipse of a covariance, shape (2, 2): semi-axes are the roots of its eigenvalues times ``scale_squared``.

    ``scale_squared`` is 2 F(2, nu) for a scatter estimated with nu degrees of freedom, chi-square with two degrees of
    freedom for a known one.
    """
    values, vectors = np.linalg.eigh(covariance_m2)
    minor, major = (hypot(0.0, float(v)) for v in np.sqrt(np.maximum(values, 0.0) * scale_squared))
    return Ellipse(confidence, major, minor, float(np.arctan2(vectors[1, 1], vectors[0, 1])) % pi)


def p_values(obs: Observations, nodes: ScatterNodes, families: Vector) -> Vector:
    """How plausible families (r, 2) are, in [0, 1], shape (r,)."""
    return plausibility(obs, nodes)(families)


def plausibility(obs: Observations, nodes: ScatterNodes) -> Callable[[Vector], Vector]:
    """The function that gives ``p_values``; whoever asks many times makes it once.

    Of measured rows, each counts with the weight that it has in the best fit of the node (1 unless wrong entries are
    allowed for), which leaves a quadratic in the errors and the nuisances.
    """
    if obs.measured.all():
        drops = _quadratic_drops(obs, nodes)
    elif not obs.nuisance_rad.shape[1]:
        drops = partial(_drops_alone, obs, nodes)
    else:
        drops = partial(_drops_with_nuisances, obs, nodes)

    wider = 1 + widening(obs)

    def p(families: Vector) -> Vector:
        value: Vector = np.exp(-np.maximum(drops(families), 0.0) / wider) @ nodes.weight
        return value

    return p


def widening(obs: Observations) -> float:
    """By how much drops of the log-likelihood are too large, for the share of attempts known by their outcome only."""
    return OUTCOMES_WIDENING * float(np.mean(~obs.measured))


def _quadratic_drops(obs: Observations, nodes: ScatterNodes) -> Callable[[Vector], Vector]:
    best = nodes.solutions
    here = lines.residuals(best.family, obs.start_m, obs.bearing_rad)
    precision = 1 / np.maximum(nodes.scatter_rad[:, None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    if obs.wrong_share > 0:
        precision *= weights(here - best.nuisance @ obs.nuisance_rad.T, 1 / precision, obs.wrong_share)
    least = np.sum(here**2 * precision, axis=1)
    taken = _taken_up(obs, precision) if obs.nuisance_rad.shape[1] else None
    if taken is not None:
        least = least - np.sum(np.matmul(taken, here[:, :, None]) ** 2, axis=(1, 2))

    def drops(families: Vector) -> Vector:
        residual = lines.residuals(families, obs.start_m, obs.bearing_rad)
        squares = residual**2 @ precision.T
        if taken is not None:
            # One product of two matrices for all nodes.
            sums = (residual @ taken.reshape(-1, len(obs)).T).reshape(len(families), *taken.shape[:2])
            squares = squares - np.einsum("rjq,rjq->rj", sums, sums)
        return 0.5 * (squares - least)

    return drops


def _taken_up(obs: Observations, precision: Vector) -> Vector:
    """What of the errors the nuisances take up, (j, q, n), so that the squares of its products with errors (n,) sum to
    what they spare: Woodbury's identity, by the Cholesky factor of the nuisances' information for each node."""
    nothing = np.zeros((1, 0, len(obs)))
    information = gathered(obs, nothing, precision)
    scaled = precision[:, None, :] * obs.nuisance_rad.T
    t = obs.apart
    core, own = scaled[:, : scaled.shape[1] - t], scaled[:, scaled.shape[1] - t :]
    core = core - np.matmul(information.across / information.own[:, None, :], own)
    core = np.linalg.solve(np.linalg.cholesky(information.reduced), core)
    return np.concatenate([core, own / np.sqrt(information.own)[:, :, None]], axis=1)


def _drops_alone(obs: Observations, nodes: ScatterNodes, families: Vector) -> Vector:
    error = lines.residuals(families, obs.start_m, obs.bearing_rad)[:, None, :]
    variance = np.maximum(nodes.scatter_rad[:, None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    shape = (len(families), len(variance), len(obs))
    return nodes.solutions.value - total_value(np.broadcast_to(error, shape), np.broadcast_to(variance, shape), obs)


def _drops_with_nuisances(obs: Observations, nodes: ScatterNodes, families: Vector) -> Vector:
    best, r, j = nodes.solutions, len(families), len(nodes.weight)
    error = np.repeat(lines.residuals(families, obs.start_m, obs.bearing_rad), j, axis=0)
    variance = np.maximum(np.tile(nodes.scatter_rad, r)[:, None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    value = profile_value(obs, error, variance, np.tile(best.nuisance, (r, 1)), np.tile(best.value - FAR_DROP, r))
    return best.value - value.reshape(r, j)


def scale_squared(nodes: ScatterNodes, covariance: Vector, confidence: float = CONFIDENCE, wider: float = 1.0) -> float:
    """The factor for ``ellipse_of``: 2 F(2, nu) for plain measured rows, chi-square where the scatter is known, found
    in between by averaging over the scatter's nodes. ``covariance`` (2, 2) of (phi, kappa) is the one to be scaled."""
    shrink = np.einsum("jab,ba->j", np.linalg.pinv(nodes.solutions.covariance, hermitian=True), covariance) / 2
    low, high = 0.0, 1e7
    for _ in range(80):
        middle = (low + high) / 2 if high < 10 else np.sqrt(max(low, 1e-3) * high)
        if float(np.exp(-0.5 * middle * shrink) @ nodes.weight) > 1 - confidence:
            low = middle
        else:
            high = middle
    return float(high) * wider


def outline(
    obs: Observations,
    nodes: ScatterNodes,
    family: Vector,
    covariance: Vector,
    scale: float,
    *,
    confidence: float = CONFIDENCE,
    rays: int = RAYS,
) -> Vector | None:
    """Closed outline of the region in (phi, kappa), shape (rays + 1, 2), or None when some ray never leaves it.

    ``family`` (2,) is the best one, ``covariance`` (2, 2) and ``scale`` give the linear ellipse from which the search
    starts.
    """
    angle = 2 * pi * np.arange(rays) / rays
    step = (np.linalg.cholesky(covariance) @ np.stack([np.cos(angle), np.sin(angle)])).T * np.sqrt(scale)
    level = np.log(1 - confidence)

    p = plausibility(obs, nodes)

    def height(radius: Vector, rows: NDArray[np.int64]) -> Vector:
        away = radius[:, None] * step[rows]
        # A direction more than a right angle off is no aim at the same shot: whatever the wrapped residual says.
        found = np.log(np.maximum(p(family + away), 1e-300)) - level
        return np.where(np.abs(away[:, 0]) > pi / 2, np.inf, found)

    inner, outer = np.zeros(rays), np.full(rays, np.nan)
    inner_height, outer_height = np.full(rays, -level), np.full(rays, np.nan)
    open_ = np.arange(rays)
    for radius in BRACKETS:
        found = height(np.full(len(open_), radius), open_)
        out = found < 0
        outer[open_[out]], outer_height[open_[out]] = radius, found[out]
        inner[open_[~out]], inner_height[open_[~out]] = radius, found[~out]
        open_ = open_[~out]
        if not len(open_):
            break
    if len(open_) or not np.isfinite(inner_height).all():
        return None
    rest = np.arange(rays)
    for k in range(REFINEMENTS):
        # Straight-line guesses (in radius squared, where a quadratic drop is straight), a bisection every third time.
        a, b = inner_height[rest], outer_height[rest]
        share = a / (a - b) if k % 3 != 2 else np.full(len(rest), 0.5)
        middle = np.sqrt(inner[rest] ** 2 + np.clip(share, 0.02, 0.98) * (outer[rest] ** 2 - inner[rest] ** 2))
        found = height(middle, rest)
        out = found < 0
        outer[rest[out]], outer_height[rest[out]] = middle[out], found[out]
        inner[rest[~out]], inner_height[rest[~out]] = middle[~out], found[~out]
        rest = rest[np.abs(found) > CLOSE]
        if not len(rest):
            break
    share = inner_height / (inner_height - outer_height)
    radius = np.sqrt(inner**2 + share * (outer**2 - inner**2))
    ring = family + radius[:, None] * step
    return np.vstack([ring, ring[:1]])


def reaches_infinity(ring: Vector) -> bool:
    """Whether an outline in (phi, kappa) touches or crosses kappa = 0."""
    return bool(ring[:, 1].min() <= 0 <= ring[:, 1].max())


def area(ring: Vector) -> float:
    """Area inside a closed outline (shoelace)."""
    x, y = ring[:-1, 0] - ring[0, 0], ring[:-1, 1]
    return float(0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
