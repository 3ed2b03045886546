"""Measured misses without wrong entries: lines and nuisances for many scatters at once, in closed form.

About a family that fits, the needed bearings are straight in its parameters to far below their errors, and they are
straight in the nuisances everywhere. The penalised likelihood is a parabola then, its top a linear system a scatter.
"""

from dataclasses import dataclass
from typing import cast

import numpy as np

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm
from calibration.table import Vector


@dataclass(frozen=True)
class StraightFits:
    """For each scatter of a batch: ``step`` (b, k) of the free parameters of the family, penalised log-likelihood
    ``value`` (b,), ``information`` (b, k + q, k + q) of the free parameters and the nuisances."""

    step: Vector
    value: Vector
    information: Vector


class StraightLines:
    """Observations about a family (2,), of whose parameters those of ``free`` may move."""

    def __init__(self, obs: Observations, family: Vector, free: list[int]) -> None:
        error, columns = lines.expand(family, obs.start_m, obs.bearing_rad)
        moving = columns[:, free]
        k, q = len(free), obs.nuisance_rad.shape[1]
        # Turns of different clips share no row: of all pairs of columns few are more than nothing.
        own_first, own_second = np.triu_indices(k)
        first, second, products = obs.nuisance_pairs
        self._first = np.concatenate([own_first, np.repeat(np.arange(k), q), k + first])
        self._second = np.concatenate([own_second, np.tile(k + np.arange(q), k), k + second])
        shared = [moving[:, [j]] * obs.nuisance_rad for j in range(k)]
        self._free, self._size, self._sd_squared = k, k + q, obs.sd_rad**2
        # All that is summed over the rows with a scatter's weights is one product of two matrices.
        self._summed = np.column_stack(
            [
                moving[:, own_first] * moving[:, own_second],
                *shared,
                products,
                moving * error[:, None],
                obs.nuisance_rad * error[:, None],
                error**2,
            ]
        )

    def at(self, scatter_rad: Vector) -> StraightFits:
        """The tops for scatters (b,)."""
        variance = np.maximum(scatter_rad[:, None] ** 2 + self._sd_squared, LEAST_SD_RAD**2)
        sums = (1 / variance) @ self._summed
        m, k, pairs = self._size, self._free, len(self._first)
        information = np.zeros((len(scatter_rad), m, m))
        information[:, self._first, self._second] = sums[:, :pairs]
        information[:, self._second, self._first] = sums[:, :pairs]
        i = np.arange(k, m)
        information[:, i, i] += 1.0
        gradient = sums[:, pairs : pairs + m]
        top = cast(Vector, np.linalg.solve(information, gradient[:, :, None])[:, :, 0]) if m else gradient
        squares = sums[:, -1] - np.sum(gradient * top, axis=1)
        value = -0.5 * squares - half_log_norm(variance).sum(axis=1)
        return StraightFits(top[:, :k], value, information)
