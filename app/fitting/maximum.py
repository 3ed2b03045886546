"""The best member of the lines' family for a batch of scatters: Gauss-Newton steps on the penalised likelihood."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.information import Information, gathered
from app.fitting.likelihood import LEAST_SD_RAD, Observations, half_log_norm, row_terms, row_weights
from calibration.table import Vector

# Information that stands for knowing nothing of the family (standard deviations of ten radians, and of ten over the
# starts' reach).
VAGUE_INFORMATION = 0.01
NO_FIT = -1e12
# A step that is halved below this share of itself leads nowhere.
LEAST_SIZE = 1e-6
EVERY = slice(None)
# How much of a limit's information counts for the room that limits leave.
LIMITS_SHARE = 0.6
# Steps to the best nuisances at most, and how near in log-likelihood is near enough for a region.
PROFILE_STEPS = 8
PROFILE_TOLERANCE = 5e-3


@dataclass(frozen=True)
class Solutions:
    """Best families for a batch of scatters: ``family`` (b, 2), ``nuisance`` (b, q), penalised log-likelihood
    ``value`` (b,) and ``information`` (a batch of b) of family and nuisances. ``log_volume`` (b,) is the logarithm
    of the volume, up to a constant, in which family and nuisances are nearly as likely."""

    family: Vector
    nuisance: Vector
    value: Vector
    information: Information
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
        return self.information.covariance[:, :2, :2]

    def at(self, kept: NDArray[np.bool_]) -> "Solutions":
        """Some of the batch."""
        return Solutions(
            self.family[kept], self.nuisance[kept], self.value[kept], self.information.at(kept), self.log_volume[kept]
        )

    def followed_by(self, other: "Solutions") -> "Solutions":
        """Both batches as one."""
        return Solutions(
            np.concatenate([self.family, other.family]),
            np.concatenate([self.nuisance, other.nuisance]),
            np.concatenate([self.value, other.value]),
            self.information.followed_by(other.information),
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
    b = len(scatter_rad)
    if nuisance is None:
        nuisance = np.zeros((len(family), obs.nuisance_rad.shape[1]))
    state = np.concatenate([family, nuisance], axis=1)
    variance = np.maximum(scatter_rad[:, None] ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    log_norm = half_log_norm(variance)
    value, gradient, information = _expand(obs, state, variance, log_norm)
    if len(state) < b:
        state = np.repeat(state, b, axis=0)
    if len(held) == state.shape[1]:
        return _solutions(obs, state, variance, value, information)
    size = np.ones(b)
    step = _step(gradient, information, held)
    normal = obs.wrong_share == 0 and obs.all_measured
    for _ in range(most_steps):
        gain = np.einsum("bi,bi->b", step, gradient)
        on = (gain > tolerance) & (size > LEAST_SIZE)
        if not on.any():
            break
        if normal and _is_straight(obs, step, gain, tolerance):
            # A parabola, on whose top a step lands: its promise need not be tried.
            state = state + step
            value = value + 0.5 * gain
            break
        # Those that a first whole step does not help try the half of it at once.
        for _half in range(2 if on.all() and (size == 1).all() else 1):
            # All of a batch at once is cheaper than the copying of a part to and fro, unless most of it stands.
            part = np.flatnonzero(on) if 2 * np.count_nonzero(on) < b else EVERY
            # What stands has perhaps no step at all: not a number.
            trial = state[part] + np.where(on[:, None], size[:, None] * step, 0.0)[part]
            tried = _expand(obs, trial, variance[part], log_norm[part])
            better = (tried[0] >= value[part]) & on[part]
            if part is EVERY and bool((better | ~on).all()):
                state, (value, gradient, information) = trial, tried
                step = _step(gradient, information, held)
                size[on] = np.minimum(2 * size[on], 1.0)
                break
            k, taken = np.arange(b)[part][better], tried[2].at(better)
            state[k], value[k], gradient[k] = trial[better], tried[0][better], tried[1][better]
            information.put(k, taken)
            step[k] = _step(gradient[k], taken, held)
            size[on] /= 2
            size[k] = np.minimum(4 * size[k], 1.0)
            on[k] = False
    return _solutions(obs, state, variance, value, information)


def start_values(obs: Observations, scatter_rad: float, family: Vector) -> Vector:
    """The log-likelihood of families (b, 2) as they are, nuisances at nothing, (b,)."""
    variance = np.maximum(np.full((len(family), 1), scatter_rad) ** 2 + obs.sd_rad**2, LEAST_SD_RAD**2)
    error = lines.residuals(family, obs.start_m, obs.bearing_rad)
    value: Vector = row_terms(error, variance, obs)[0].sum(axis=1)
    return value


def _is_straight(obs: Observations, step: Vector, gain: Vector, tolerance: float) -> bool:
    """Whether steps (b, 2 + q), which gain so much (b,), leave the lines' bending unfelt."""
    turn_rad = np.abs(step[:, 0]) + np.abs(step[:, 1]) * obs.reach_m
    return bool((turn_rad * np.maximum(gain, 1.0) <= tolerance).all())


def _solutions(
    obs: Observations, state: Vector, variance: Vector, value: Vector, information: Information
) -> Solutions:
    # A whisper of prior knowledge on the family keeps a scatter at which all rows look wrong, and which therefore knows
    # nothing of the family, from a boundless reward for that.
    prior = np.zeros(information.core.shape[-1])
    prior[0], prior[1] = VAGUE_INFORMATION, VAGUE_INFORMATION * obs.reach_m**2
    with np.errstate(invalid="ignore"):
        log_determinant = information.log_determinant(prior)
        if not obs.all_measured:
            within = _limits_information(obs, state, variance).log_determinant(prior)
            log_determinant = np.fmax(log_determinant, within)
    return Solutions(state[:, :2], state[:, 2:], value, information, -0.5 * log_determinant)


def _limits_information(obs: Observations, state: Vector, variance: Vector) -> Information:
    """The information that would leave as much room as the limits of interval attempts do.

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
    return gathered(obs, columns.swapaxes(-1, -2), weight)


def profile_value(obs: Observations, error_rad: Vector, variance: Vector, nuisance: Vector, least: Vector) -> Vector:
    """Penalised log-likelihood at given errors (b, n), the nuisances at their best, begun at ``nuisance`` (b, q).

    Values that stay below ``least`` (b,) need not be exact.
    """
    z = nuisance
    best = np.full(len(z), -np.inf)
    for _ in range(PROFILE_STEPS):
        terms, slope, curvature = row_terms(error_rad - z @ obs.nuisance_rad.T, variance, obs)
        value = terms.sum(axis=1) - 0.5 * np.sum(z * z, axis=1)
        gradient = -slope @ obs.nuisance_rad - z
        step = gathered(obs, np.zeros((1, 0, len(obs))), curvature).solve(gradient)
        gain = 0.5 * np.sum(gradient * step, axis=1)
        # The step's own promise stands for the last one.
        best = np.maximum(best, value + np.minimum(gain, PROFILE_TOLERANCE))
        open_ = (gain > PROFILE_TOLERANCE) & (best + PROFILE_STEPS * gain > least)
        if not open_.any():
            break
        z = z + step
    return best


def _expand(obs: Observations, state: Vector, variance: Vector, log_norm: Vector) -> tuple[Vector, Vector, Information]:
    """Value, gradient and information of the penalised log-likelihood at a batch of states (b, 2 + q), or at one state
    (1, 2 + q) for all of the batch's variances (b, n)."""
    error, columns = lines.expand(state[:, :2], obs.start_m, obs.bearing_rad)
    columns, z = columns.swapaxes(-1, -2), state[:, 2:]
    q = z.shape[1]
    if q:
        error = error - z @ obs.nuisance_rad.T
    terms, slope, curvature = row_terms(error, variance, obs, log_norm)
    gradient = np.empty((len(variance), 2 + q))
    np.matmul(columns, slope[:, :, None], out=gradient[:, :2, None])
    value: Vector = terms.sum(axis=1)
    if q:
        np.matmul(slope, obs.nuisance_rad, out=gradient[:, 2:])
        gradient[:, 2:] += z
        value = value - 0.5 * np.einsum("bi,bi->b", z, z)
    return value, np.negative(gradient, out=gradient), gathered(obs, columns, curvature)


def _step(gradient: Vector, information: Information, held: tuple[int, ...]) -> Vector:
    # A whisper of damping keeps designs that cannot tell one direction from breaking the solver.
    block = information.without(held).raised(1e-9, 1e-12)
    if not held:
        return block.solve(gradient)
    step = np.zeros(gradient.shape)
    free = [k for k in range(gradient.shape[1]) if k not in held]
    step[:, free] = block.solve(gradient[:, free])
    return step
