"""Measured misses without wrong entries: lines and nuisances for many scatters at once, in closed form.

About a family that fits, the needed bearings are straight in its parameters to far below their errors, and they are
straight in the nuisances everywhere. The penalised likelihood is a parabola then, its top a linear system a scatter.
Several families of lines through the same attempts are taken together, because a shot's rules are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm
from calibration.table import Vector


@dataclass(frozen=True)
class StraightFits:
    """For b scatters of each of p families: ``step`` (p, b, 2) of the family, 0 where held, penalised log-likelihood
    ``value`` (p, b), ``information`` (p, b, 2 + q, 2 + q) of the family, 1 alone where held, and the nuisances."""

    step: Vector
    value: Vector
    information: Vector


class StraightLines:
    """Observations about families (p, 2), of whose parameters those of ``free`` (p, 2) may move."""

    def __init__(self, obs: Observations, family: Vector, free: NDArray[np.bool_]) -> None:
        self._error, columns = lines.expand(family, obs.start_m, obs.bearing_rad)
        self._obs, self._held = obs, (~free).astype(float)
        # Most rules have nothing free.
        self._moving = np.flatnonzero(free.any(axis=1))
        self._columns = (columns * free[:, None, :])[self._moving].swapaxes(1, 2)

    def at(self, scatter_rad: Vector) -> StraightFits:
        """The tops for scatters (p, b)."""
        obs, some = self._obs, self._moving
        nuisance, q = obs.nuisance_rad, obs.nuisance_rad.shape[1]
        variance = np.maximum(scatter_rad[..., None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
        p, b, n = variance.shape
        precision = 1 / variance
        weighted = precision * self._error[:, None, :]
        squares = np.matmul(weighted, self._error[:, :, None])[..., 0]
        information, gradient = np.zeros((p, b, 2 + q, 2 + q)), np.zeros((p, b, 2 + q))
        information[..., 0, 0], information[..., 1, 1] = self._held[:, :1], self._held[:, 1:]
        gradient[..., 2:] = (weighted.reshape(p * b, n) @ nuisance).reshape(p, b, q)
        if len(some):
            columns = self._columns[:, None] * precision[some][:, :, None, :]
            information[some, :, :2, :2] += np.matmul(columns, self._columns.swapaxes(1, 2)[:, None])
            gradient[some, :, :2] = np.matmul(columns, self._error[some][:, None, :, None])[..., 0]
            across = (columns.reshape(-1, n) @ nuisance).reshape(len(some), b, 2, q)
            information[some, :, :2, 2:] = across
            information[some, :, 2:, :2] = across.swapaxes(-1, -2)
        if q:
            # Turns of different clips share no row: of all pairs of nuisances few are more than nothing.
            first, second, products = obs.nuisance_pairs
            pairs = (precision.reshape(p * b, n) @ products).reshape(p, b, -1)
            information[..., 2 + first, 2 + second] = information[..., 2 + second, 2 + first] = pairs
            i = np.arange(2, 2 + q)
            information[..., i, i] += 1.0
        top = np.linalg.solve(information, gradient[..., None])[..., 0]
        value = -0.5 * (squares - np.sum(gradient * top, axis=-1)) - half_log_norm(variance).sum(axis=-1)
        return StraightFits(top[..., :2], value, information)
