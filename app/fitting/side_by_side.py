"""Groups of measured attempts, each with a family and nuisances of its own, fitted at one scatter: all at once.

A day's practice is a dozen attempts, for which a fit of its own costs next to nothing but its overhead. Groups of like
size are padded to the same number of rows and solved as one batch; the steps are those of ``maximum``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm, measured_terms, weights
from calibration.table import Vector

TOLERANCE = 1e-8
MOST_STEPS = 60
LEAST_SIZE = 1e-6


@dataclass(frozen=True)
class GroupFits:
    """For k groups ``family`` (k, 2), its ``covariance`` (k, 2, 2), and ``left`` (k,), the sum of weighted squares of
    errors and nuisances that the fit leaves."""

    family: Vector
    covariance: Vector
    left: Vector


def fit_groups(groups: Sequence[Observations], begin: Vector, scatter_rad: float) -> GroupFits:
    """Fit groups of measured attempts; ``begin`` (k, 2) are families to begin with."""
    k = len(groups)
    found = GroupFits(np.empty((k, 2)), np.empty((k, 2, 2)), np.empty(k))
    for members in _of_like_size(groups).values():
        some = _Padded([groups[i] for i in members], scatter_rad)
        state = _climbed(some, begin[members])
        error, columns = some.errors(state)
        found.family[members] = state[:, :2]
        found.covariance[members] = np.linalg.inv(some.expanded(error, columns, state)[2])[:, :2, :2]
        weight = weights(error, some.variance, some.wrong_share) if some.wrong_share > 0 else np.ones(error.shape)
        squares = np.sum(some.present * weight * error**2 / some.variance, axis=1)
        found.left[members] = squares + np.sum(state[:, 2:] ** 2, axis=1)
    return found


def _of_like_size(groups: Sequence[Observations]) -> Mapping[tuple[float, int], list[int]]:
    """Which groups allow for the same share of wrong entries, and differ by less than a factor of two in size."""
    parts: dict[tuple[float, int], list[int]] = {}
    for k, obs in enumerate(groups):
        parts.setdefault((obs.wrong_share, len(obs).bit_length()), []).append(k)
    return parts


class _Padded:
    """Groups (k) as arrays of as many rows (m) and nuisances (q) as the largest has; ``present`` (k, m) is 1 for rows
    that there are."""

    def __init__(self, groups: Sequence[Observations], scatter_rad: float) -> None:
        k, m = len(groups), max(len(obs) for obs in groups)
        q = max(obs.nuisance_rad.shape[1] for obs in groups)
        self.wrong_share = groups[0].wrong_share
        self.present, sd = np.zeros((k, m)), np.ones((k, m))
        self._start, self._bearing, self._nuisance = np.zeros((k, m, 2)), np.zeros((k, m)), np.zeros((k, q, m))
        for i, obs in enumerate(groups):
            n, own = obs.nuisance_rad.shape
            self.present[i, :n], sd[i, :n], self._bearing[i, :n] = 1.0, obs.sd_rad, obs.bearing_rad
            self._start[i, :n], self._nuisance[i, :own, :n] = obs.start_m, obs.nuisance_rad.T
        self.variance = np.maximum(scatter_rad**2 + sd**2, LEAST_SD_RAD**2)
        self._log_norm = half_log_norm(self.variance)
        self.prior = np.diag(np.concatenate([np.zeros(2), np.ones(q)]))

    def errors(self, state: Vector) -> tuple[Vector, Vector]:
        """Errors (k, m), and what family and nuisances take off them, (k, 2 + q, m)."""
        residual, columns = lines.expand(state[:, :2], self._start, self._bearing)
        design = np.concatenate([columns.swapaxes(1, 2) * self.present[:, None, :], self._nuisance], axis=1)
        return residual * self.present - np.einsum("kq,kqm->km", state[:, 2:], self._nuisance), design

    def expanded(self, error: Vector, design: Vector, state: Vector) -> tuple[Vector, Vector, Vector]:
        """Penalised log-likelihood (k,), its gradient (k, 2 + q) and information (k, 2 + q, 2 + q)."""
        value, slope, curvature = measured_terms(error, self.variance, self._log_norm, self.wrong_share)
        z = state * self.prior.diagonal()
        gradient = -np.einsum("kpm,km->kp", design, slope) - z
        information = np.matmul(design * curvature[:, None, :], design.swapaxes(1, 2)) + self.prior
        return (self.present * value).sum(axis=1) - 0.5 * np.sum(z * z, axis=1), gradient, information


def _climbed(some: _Padded, begin: Vector) -> Vector:
    """Best families with their nuisances, (k, 2 + q), by Gauss-Newton steps that are halved when they do not help."""
    size = np.ones(len(begin))
    state = np.zeros((len(begin), len(some.prior)))
    state[:, :2] = begin
    value, gradient, information = some.expanded(*some.errors(state), state)
    step = _steps(gradient, information)
    for _ in range(MOST_STEPS):
        on = (np.einsum("kp,kp->k", step, gradient) > TOLERANCE) & (size > LEAST_SIZE)
        if not on.any():
            break
        trial = state + np.where(on[:, None], size[:, None] * step, 0.0)
        tried = some.expanded(*some.errors(trial), trial)
        better = on & (tried[0] >= value)
        size = np.where(better, np.minimum(2 * size, 1.0), np.where(on, size / 2, size))
        state = np.where(better[:, None], trial, state)
        value = np.where(better, tried[0], value)
        gradient = np.where(better[:, None], tried[1], gradient)
        information = np.where(better[:, None, None], tried[2], information)
        step = _steps(gradient, information)
    return state


def _steps(gradient: Vector, information: Vector) -> Vector:
    i = np.arange(information.shape[-1])
    block = information.copy()
    # A whisper of damping keeps designs that cannot tell one direction from breaking the solver.
    block[:, i, i] += 1e-9 * block[:, i, i] + 1e-12
    return np.asarray(np.linalg.solve(block, gradient[:, :, None])[:, :, 0], dtype=np.float64)
