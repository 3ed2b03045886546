"""One more term beside the family: does the needed bearing also depend on this?"""

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from scipy.special import stdtrit

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.likelihood import LEAST_SD_RAD, Observations, row_terms
from app.fitting.scatter import ScatterPrior, at_scatter, nodes_near, restricted_estimate, rough_scatter
from calibration.table import Vector

# Prior standard deviation of the term where its column is one: so wide that it says nothing.
BROAD_RAD = 0.5


@dataclass(frozen=True)
class Term:
    """Coefficient of the term's column, radians, its standard deviation and degrees of freedom."""

    value_rad: float
    sd_rad: float
    freedom: int

    def interval(self, confidence: float) -> tuple[float, float]:
        half = float(stdtrit(self.freedom, 0.5 + confidence / 2)) * self.sd_rad
        return self.value_rad - half, self.value_rad + half


def fit_term(obs: Observations, column: Vector, found: Convergence, prior: ScatterPrior | None) -> Term:
    """Fit the family, the nuisances and the coefficient of ``column`` (n,) together. Needs at least four attempts.

    ``found`` is the fit without the term.
    """
    scale = float(np.max(np.abs(column)))
    longer = replace(obs, nuisance_rad=np.column_stack([column / scale * BROAD_RAD, obs.nuisance_rad]))
    begin = np.concatenate([found.family, [0.0], found.nuisance])
    nodes = nodes_near(longer, begin, max(found.spread_rad, rough_scatter(longer, found.family) / 8), prior)
    best = at_scatter(longer, nodes, restricted_estimate(longer, nodes, prior, rounds=0), tolerance=1e-8)
    sd = sqrt(float(best.information.covariance[0, 2, 2]))
    unit = BROAD_RAD / scale
    return Term(float(best.nuisance[0, 0]) * unit, sd * unit, max(len(obs) - 3, 1))


def row_information(obs: Observations, family: Vector, spread_rad: float) -> Vector:
    """Information of each row on its needed bearing, (n,), one over radians squared."""
    variance = np.maximum(spread_rad**2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    error = lines.residuals(family, obs.start_m, obs.bearing_rad)
    return row_terms(error, variance, obs)[2]
