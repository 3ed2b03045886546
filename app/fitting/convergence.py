"""The convergence point of a shot from its attempts, with its region, or the reason why the attempts cannot tell.

Bearings-only position fix by maximum likelihood (see ``lines`` for the family, ``likelihood`` for the errors,
``scatter`` and ``region`` for what the spread is and how far the answer may be off).
"""

from dataclasses import dataclass
from math import nan

import numpy as np

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations, row_weights
from app.fitting.region import CONFIDENCE, Ellipse, ellipse_of, outline, reaches_infinity, scale_squared, widening
from app.fitting.scatter import (
    USUAL_SCATTER_RAD,
    ScatterNodes,
    ScatterPrior,
    at_scatter,
    best_start,
    integrate_scatter,
    known_scatter,
    restricted_estimate,
    rough_scatter,
)
from calibration.table import Vector

FEWEST = 3
# Standard deviation of the inverse distance, in units of one over the starts' reach, from which on the starts lie on
# one line of aim for all that the attempts can tell.
BLIND = 1.0
# A family known better than this is known wrongly: its point has run into a start.
LEAST_VARIANCE = 1e-18


@dataclass(frozen=True)
class Convergence:
    """What the attempts tell of the point. Metres and radians, in the table frame; NaN and None where not known.

    ``status`` is ``point``, ``infinite`` (the region reaches infinity), ``open`` (the region has no outline) or
    ``refused``; ``reason`` says why in a sentence when it is not ``point``. ``family`` (2,) is (phi, kappa) about the
    centre with ``family_covariance`` (2, 2). ``spread_rad`` is the scatter with stated errors taken out, within
    ``spread_range_rad`` (95 %). ``nuisance`` (q,) are the fitted nuisances, in their prior's standard deviations.
    ``row_weight`` (n,) is how far each row counts, ``row_offset`` (n,) how far it lies from the others' line, in sds.
    """

    status: str
    reason: str
    family: Vector
    family_covariance: Vector
    point_m: Vector | None
    covariance_m2: Vector | None
    ellipse: Ellipse | None
    region: Vector | None
    spread_rad: float
    spread_range_rad: tuple[float, float]
    nuisance: Vector
    row_weight: Vector
    row_offset: Vector
    nodes: ScatterNodes | None


def refused(reason: str, n: int = 0, q: int = 0) -> Convergence:
    """The answer when nothing can be told."""
    return Convergence(
        status="refused",
        reason=reason,
        family=np.full(2, nan),
        family_covariance=np.full((2, 2), nan),
        point_m=None,
        covariance_m2=None,
        ellipse=None,
        region=None,
        spread_rad=nan,
        spread_range_rad=(nan, nan),
        nuisance=np.full(q, nan),
        row_weight=np.ones(n),
        row_offset=np.full(n, nan),
        nodes=None,
    )


def converge(
    obs: Observations,
    centre_m: Vector,
    *,
    prior: ScatterPrior | None = None,
    scatter_rad: float | None = None,
    confidence: float = CONFIDENCE,
) -> Convergence:
    """Fit the family of lines to the attempts.

    Parameters
    ----------
    obs : the attempts; starts are from ``centre_m`` (2,), metres.
    prior : of the scatter; None takes the reference prior, which needs measured rows.
    scatter_rad : holds the scatter at a known value (0: the stated errors are all there is); two attempts then do.
    """
    q = obs.nuisance_rad.shape[1]
    fewest = FEWEST if scatter_rad is None else 2
    if len(obs) < fewest:
        return refused(
            f"{len(obs)} usable attempt{'' if len(obs) == 1 else 's'}; a point needs at least {fewest}.", len(obs), q
        )
    family = best_start(obs, USUAL_SCATTER_RAD)
    if blind(obs, family):
        return refused(
            "all starts lie on one line of aim: move the ball to the side and shoot from there.", len(obs), q
        )
    nodes = integrate_scatter(obs, prior, family) if scatter_rad is None else known_scatter(obs, scatter_rad)
    spread = restricted_estimate(obs, nodes, prior)
    best = at_scatter(obs, nodes, spread)
    family = best.family[0]
    covariance = best.covariance[0]
    if not np.isfinite(covariance).all() or np.linalg.eigvalsh(covariance)[0] < LEAST_VARIANCE:
        why = "the lines that fit best meet at one of the starts: log more attempts, from other starts."
        return refused(why, len(obs), q)
    scale = scale_squared(nodes, covariance, confidence, 1 + widening(obs))
    ring = outline(obs, nodes, family, covariance, scale, confidence=confidence)
    family = np.array([family[0] % (2 * np.pi), family[1]])
    status, reason = "point", ""
    if ring is None:
        status = "open"
        reason = f"{len(obs)} attempts leave the region without an outline; more attempts, from other starts, close it."
    else:
        ring = ring + [family[0] - best.family[0, 0], 0.0]
        if reaches_infinity(ring):
            status, reason = "infinite", "the region reaches infinity: parallel lines fit the attempts as well."
    point = covariance_m2 = ellipse = None
    if status == "point":
        bend = lines.point_jacobian(family)
        point = centre_m + lines.to_point(family)
        covariance_m2 = bend @ covariance @ bend.T
        ellipse = ellipse_of(covariance_m2, scale, confidence)
    variance = np.maximum(spread**2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    error = lines.residuals(family, obs.start_m, obs.bearing_rad) - obs.nuisance_rad @ best.nuisance[0]
    known = scatter_rad is not None
    return Convergence(
        status=status,
        reason=reason,
        family=family,
        family_covariance=covariance,
        point_m=point,
        covariance_m2=covariance_m2,
        ellipse=ellipse,
        region=ring,
        spread_rad=spread,
        spread_range_rad=(spread, spread) if known else (nodes.quantile(0.025), nodes.quantile(0.975)),
        nuisance=best.nuisance[0],
        row_weight=row_weights(error, variance, obs),
        row_offset=error / np.sqrt(variance),
        nodes=nodes,
    )


def blind(obs: Observations, family: Vector) -> bool:
    """Whether the starts have no breadth across the line of aim, compared with what the attempts' spread could fake.

    Judged by the information on the inverse distance, direction fitted along, about parallel lines: at the fitted point
    itself, spread alone can make a point of lines that are one line. ``family`` (2,) is the best at the usual scatter.
    """
    reach = obs.reach_m
    across = lines.cross(np.broadcast_to(lines.unit(family[0]), obs.start_m.shape), obs.start_m)
    weight = 1 / np.maximum(rough_scatter(obs, family), obs.sd_rad) ** 2
    information = np.sum(weight * (across - np.average(across, weights=weight)) ** 2)
    return bool(np.ptp(across) <= 1e-6 * reach or information * BLIND**2 < 1 / reach**2)
