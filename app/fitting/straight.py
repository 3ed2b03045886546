"""Measured misses without wrong entries: lines and nuisances for many scatters at once, in closed form.

About a family that fits, the needed bearings are straight in its parameters to far below their errors, and they are
straight in the nuisances everywhere. The penalised likelihood is a parabola then, its top a linear system a scatter.
Several families of lines through the same attempts are taken together, because a shot's rules are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.information import Information, gathered
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm
from calibration.table import Vector


@dataclass(frozen=True)
class StraightFits:
    """For b scatters of each of p families: ``step`` (p, b, 2) of the family, 0 where held, penalised log-likelihood
    ``value`` (p, b), ``information`` (a batch of p, b) of the family, 1 alone where held, and the nuisances."""

    step: Vector
    value: Vector
    information: Information


class StraightLines:
    """Observations about families (p, 2), of whose parameters those of ``free`` (p, 2) may move."""

    def __init__(self, obs: Observations, family: Vector, free: NDArray[np.bool_]) -> None:
        self._error, columns = lines.expand(family, obs.start_m, obs.bearing_rad)
        self._obs, self._held = obs, ~free
        self._columns = (columns * free[:, None, :]).swapaxes(1, 2)

    def at(self, scatter_rad: Vector) -> StraightFits:
        """The tops for scatters (p, b)."""
        nuisance = self._obs.nuisance_rad
        variance = np.maximum(scatter_rad[..., None] ** 2 + self._obs.sd_rad**2, LEAST_SD_RAD**2)
        precision = 1 / variance
        information = gathered(self._obs, self._columns[:, None], precision)
        for k in (0, 1):
            information.core[..., k, k] += self._held[:, k, None]
        weighted = precision * self._error[:, None, :]
        gradient = np.concatenate([np.matmul(weighted, self._columns.swapaxes(1, 2)), weighted @ nuisance], axis=-1)
        top = information.solve(gradient)
        squares = np.matmul(weighted, self._error[:, :, None])[..., 0] - np.sum(gradient * top, axis=-1)
        value = -0.5 * squares - half_log_norm(variance).sum(axis=-1)
        return StraightFits(top[..., :2], value, information)
