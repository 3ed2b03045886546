"""The best member of the lines' family for a batch of scatters: Gauss-Newton steps on the penalised likelihood."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm, row_terms, row_weights
from calibration.table import Vector

# Information that stands for knowing nothing of the family (standard deviations of ten radians, and of ten over the
# starts' reach).
VAGUE_INFORMATION = 0.01
NO_FIT = -1e12
# How much of a limit's information counts for the room that limits leave.
LIMITS_SHARE = 0.6
# Steps to the best nuisances at most, and how near in log-likelihood is near enough for a region.
PROFILE_STEPS = 8
PROFILE_TOLERANCE = 5e-3


@dataclass(frozen=True)
class Solutions:
    """Best families for a batch of scatters: ``family`` (b, 2), ``nuisance`` (b, q), penalised log-likelihood
    ``value`` (b,) and ``information`` (b, 2 + q, 2 + q) of family and nuisances. ``log_volume`` (b,) is the logarithm
    of the volume, up to a constant, in which family and nuisances are nearly as likely."""

    family: Vector
    nuisance: Vector
    value: Vector
    information: Vector
    log_volume: Vector

    @property
    def state(self) -> Vector:
        """Families with their nuisances, (b, 2 + q)."""
        return np.concatenate([self.family, self.nuisance], axis=1)

    @property
    def restricted(self) -> Vector:
        """Log-likelihood of the scatter alone, family and nuisances integrated out (Laplace; exact for measured
        rows and lines that bend little), up to a constant. Shape (b,)."""
        value: Vector = self.value + self.log_volume
        # A family that has run into a start has no finite information; such a fit is none.
        return np.where(np.isfinite(value), value, NO_FIT)

    @property
    def covariance(self) -> Vector:
        """Covariance of (phi, kappa), nuisances taken into account, shape (b, 2, 2)."""
        return np.asarray(np.linalg.inv(self.information)[:, :2, :2], dtype=np.float64)

    def at(self, kept: NDArray[np.bool_]) -> "Solutions":
        """Some of the batch."""
        return Solutions(
            self.family[kept], self.nuisance[kept], self.value[kept], self.information[kept], self.log_volume[kept]
        )

    def followed_by(self, other: "Solutions") -> "Solutions":
        """Both batches as one."""
        return Solutions(
            np.concatenate([self.family, other.family]),
            np.concatenate([self.nuisance, other.nuisance]),
            np.concatenate([self.value, other.value]),
            np.concatenate([self.information, other.information]),
            np.concatenate([self.log_volume, other.log_volume]),
        )


def solve(
    obs: Observations,
    scatter_rad: Vector,
    family: Vector,
    nuisance: Vector | None = None,
    *,
    held: tuple[int, ...] = (),
    tolerance: float = 1e-10,
    most_steps: int = 60,
) -> Solutions:
    """Maximise the penalised likelihood for each scatter of a batch, by Gauss-Newton steps that are halved when they
    do not help.

    Parameters
    ----------
    scatter_rad : (b,). family : (b, 2) start values, or (1, 2) for all. nuisance : (b, q) start values, or (1, q)
    likewise; zero when not given.
    held : which of the family's two parameters stay as given. tolerance : of the log-likelihood.
    """
    q = obs.nuisance_rad.shape[1]
    b = len(scatter_rad)
    free = np.array([k for k in range(2 + q) if k not in held], dtype=int)
    state = np.concatenate([family, np.zeros((len(family), q)) if nuisance is None else nuisance], axis=1)
    variance = np.maximum(scatter_rad[:, None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    log_norm = half_log_norm(variance)
    value, gradient, information = _expand(obs, state, variance, log_norm)
    if len(state) < b:
        state = np.repeat(state, b, axis=0)
    if not len(free):
        return _solutions(obs, state, variance, value, information)
    size = np.ones(b)
    step = _step(gradient, information, free)
    normal = obs.wrong_share == 0 and bool(obs.measured.all())
    bend = np.where(free == 0, 1.0, np.where(free == 1, obs.reach_m, 0.0))
    for _ in range(most_steps):
        gain = np.sum(step * gradient[:, free], axis=1)
        on = np.flatnonzero((gain > tolerance) & (size > 1e-6))
        if not len(on):
            break
        if normal and _is_straight(np.abs(step) @ bend, gain, tolerance):
            # A parabola, on whose top a step lands: its promise need not be tried.
            state[:, free] += step
            value = value + 0.5 * gain
            break
        if len(on) == b and bool((size == 1).all()):
            # The usual case, all together and all steps whole, is spared the copying to and fro.
            trial = state.copy()
            trial[:, free] += step
            expanded = _expand(obs, trial, variance, log_norm)
            if bool((expanded[0] >= value).all()):
                state, (value, gradient, information) = trial, expanded
                step = _step(gradient, information, free)
                continue
            size = np.where(expanded[0] >= value, 1.0, 0.5)
        trial = state[on]
        trial[:, free] += size[on, None] * step[on]
        new_value, new_gradient, new_information = _expand(obs, trial, variance[on], log_norm[on])
        better = new_value >= value[on]
        k = on[better]
        state[k], value[k] = trial[better], new_value[better]
        gradient[k], information[k] = new_gradient[better], new_information[better]
        step[k] = _step(gradient[k], information[k], free)
        size[k] = np.minimum(2 * size[k], 1.0)
        size[on[~better]] /= 2
    return _solutions(obs, state, variance, value, information)


def _is_straight(turn_rad: Vector, gain: Vector, tolerance: float) -> bool:
    """Whether steps that turn lines by so much (b,), and gain so much (b,), leave the lines' bending unfelt."""
    return bool((turn_rad * np.maximum(gain, 1.0) <= tolerance).all())


def _solutions(obs: Observations, state: Vector, variance: Vector, value: Vector, information: Vector) -> Solutions:
    # A whisper of prior knowledge on the family keeps a scatter at which all rows look wrong, and which therefore knows
    # nothing of the family, from a boundless reward for that.
    prior = np.zeros(state.shape[1])
    prior[:2] = np.array([1.0, obs.reach_m**2]) * VAGUE_INFORMATION
    with np.errstate(invalid="ignore"):
        log_determinant = np.linalg.slogdet(information + np.diag(prior))[1]
        if not obs.measured.all():
            within = np.linalg.slogdet(_limits_information(obs, state, variance) + np.diag(prior))[1]
            log_determinant = np.fmax(log_determinant, within)
    return Solutions(state[:, :2], state[:, 2:], value, information, -0.5 * log_determinant)


def _limits_information(obs: Observations, state: Vector, variance: Vector) -> Vector:
    """Information (b, 2 + q, 2 + q) that would leave as much room as the limits of interval attempts do.

    Where the scatter is small beside the margins, the likelihood is flat between the limits and has no curvature to
    speak of; the family then has the room of a polygon. Each row stands in for its nearest limit with one over the
    square of the distance to it (Dikin's ellipsoid of a polygon), scaled so that integrals over known cases agree.
    """
    error, columns = lines.expand(state[:, :2], obs.start_m, obs.bearing_rad)
    error = error - state[:, 2:] @ obs.nuisance_rad.T
    low, high = error + obs.low_rad, error + obs.high_rad
    room = np.where(obs.measured, 0.0, np.minimum(np.abs(low), np.abs(high)))
    weight = (
        LIMITS_SHARE * row_weights(error, variance, obs) / (variance + np.where(np.isfinite(room), room, np.inf) ** 2)
    )
    full = np.concatenate([columns, np.broadcast_to(obs.nuisance_rad, (*error.shape, state.shape[1] - 2))], axis=2)
    information: Vector = np.matmul((full * weight[:, :, None]).swapaxes(1, 2), full)
    i = np.arange(2, state.shape[1])
    information[:, i, i] += 1.0
    return information


def profile_value(obs: Observations, error_rad: Vector, variance: Vector, nuisance: Vector, least: Vector) -> Vector:
    """Penalised log-likelihood at given errors (b, n), the nuisances at their best, begun at ``nuisance`` (b, q).

    Values that stay below ``least`` (b,) need not be exact.
    """
    first, second, products = obs.nuisance_pairs
    z, q = nuisance, nuisance.shape[1]
    information = np.zeros((len(z), q, q))
    best = np.full(len(z), -np.inf)
    for _ in range(PROFILE_STEPS):
        terms, slope, curvature = row_terms(error_rad - z @ obs.nuisance_rad.T, variance, obs)
        value = terms.sum(axis=1) - 0.5 * np.sum(z * z, axis=1)
        gradient = -slope @ obs.nuisance_rad - z
        information[:, first, second] = information[:, second, first] = curvature @ products
        information[:, np.arange(q), np.arange(q)] += 1.0
        step = np.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        gain = 0.5 * np.sum(gradient * step, axis=1)
        # The step's own promise stands for the last one.
        best = np.maximum(best, value + np.minimum(gain, PROFILE_TOLERANCE))
        open_ = (gain > PROFILE_TOLERANCE) & (best + PROFILE_STEPS * gain > least)
        if not open_.any():
            break
        z = z + step
    return best


def _expand(obs: Observations, state: Vector, variance: Vector, log_norm: Vector) -> tuple[Vector, Vector, Vector]:
    """Value, gradient and information of the penalised log-likelihood at a batch of states (b, 2 + q), or at one state
    (1, 2 + q) for all of the batch's variances (b, n)."""
    z = state[:, 2:]
    b, size, n = len(variance), state.shape[1], len(obs)
    error, columns = lines.expand(state[:, :2], obs.start_m, obs.bearing_rad)
    if z.shape[1]:
        error = error - z @ obs.nuisance_rad.T
    terms, slope, curvature = row_terms(error, variance, obs, log_norm)
    by_family = columns.swapaxes(-1, -2)
    weighted = by_family * curvature[:, None, :]
    gradient = np.empty((b, size))
    gradient[:, :2] = -np.matmul(by_family, slope[:, :, None])[:, :, 0]
    gradient[:, 2:] = -slope @ obs.nuisance_rad - z
    information = np.zeros((b, size, size))
    information[:, :2, :2] = np.matmul(weighted, columns)
    if z.shape[1]:
        # One product of two matrices, not one a state.
        information[:, :2, 2:] = (weighted.reshape(2 * b, n) @ obs.nuisance_rad).reshape(b, 2, size - 2)
        information[:, 2:, :2] = information[:, :2, 2:].swapaxes(-1, -2)
        # Turns of different clips share no row, so that most pairs of nuisances have nothing in common.
        first, second, products = obs.nuisance_pairs
        block = curvature @ products
        information[:, 2 + first, 2 + second] = information[:, 2 + second, 2 + first] = block
        i = np.arange(2, size)
        information[:, i, i] += 1.0
    value: Vector = terms.sum(axis=1) - 0.5 * np.sum(z * z, axis=1)
    return value, gradient, information


def _step(gradient: Vector, information: Vector, free: NDArray[np.int_]) -> Vector:
    block = information[:, free[:, None], free]
    i = np.arange(block.shape[1])
    # A whisper of damping keeps designs that cannot tell one direction from breaking the solver.
    block[:, i, i] += 1e-9 * block[:, i, i] + 1e-12
    return np.asarray(np.linalg.solve(block, gradient[:, free, None])[:, :, 0], dtype=np.float64)
