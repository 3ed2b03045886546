"""How a ball set off: the moment and the speed, from its distance from where it lay."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, least_squares

from calibration.camera import Matrix
from calibration.table import Vector
from vision.legs import GRAVITY_MPS2, SLIDING_MPS2, Path
from vision.serial import share_of_stated

# Share of the launch speed that sliding takes: 2/7 for a ball struck without spin, nothing for natural roll. A tip that
# is half a radius below the centre, lower than which it slips off, gives 5/4 of natural roll backwards: 9/14.
SHED_SHARE, SHED_SHARE_SD = 0.22, 0.10
LEAST_SHED, MOST_SHED = 0.0, 0.66
# How much sliding deceleration differs from cloth to cloth: 0.15 to 0.4 g are published.
SLIDING_SD_MPS2 = 0.06 * GRAVITY_MPS2
# Rolling resistance: the middle of the published range, 0.005 to 0.015 g.
ROLLING_MPS2 = 0.01 * GRAVITY_MPS2
# A launch is read from this much of the first leg: all but the firmest strokes roll by its end.
LAUNCH_S = 0.6
REWEIGHTINGS = 2


@dataclass(frozen=True)
class Launch:
    """How a ball set off: when, and how fast (metres per second), with standard deviations."""

    time_s: float
    time_sd_s: float
    speed_mps: float
    speed_sd_mps: float


def fit_launch(start_m: Vector, leg: Path, *, window_s: float = LAUNCH_S) -> Launch:
    """When and how fast a ball left its resting place, from its distance from there over the first moments.

    It slides, evenly slowed, until it rolls (Coriolis 1835), then hardly slows at all. Beside the moment and the speed,
    the deceleration and the share of the speed that sliding takes are unknown: 2/7 without spin, none when struck to
    roll at once, more with draw. Both are known beforehand as well as cloths and players differ. NaN when the sightings
    are fewer than two or do not lead away from the start.
    """
    first = leg.part(leg.t <= leg.t[0] + window_s) if len(leg) else leg
    distance = np.hypot(*(first.xy - start_m).T)
    unknown = Launch(float("nan"), float("nan"), float("nan"), float("nan"))
    if len(first) < 2 or distance[-1] <= distance[0]:
        return unknown
    tau = first.t - first.t[0]
    sd = first.sd
    usual = np.array([SHED_SHARE, SLIDING_MPS2])
    spread = np.array([SHED_SHARE_SD, SLIDING_SD_MPS2])

    def residuals(p: Vector) -> Vector:
        return np.concatenate([(_run_m(tau, *p) - distance) / sd, (p[2:] - usual) / spread])

    def slopes(p: Vector) -> Matrix:
        return np.vstack([_run_slopes(tau, *p) / sd[:, None], np.eye(4)[2:] / spread[:, None]])

    soon = min(len(tau) - 1, int(np.searchsorted(tau, 0.05)))
    speed = float((distance[soon] - distance[0]) / tau[soon])
    if speed <= 0:
        return unknown
    begin = -float(distance[0]) / speed
    scale = [0.01, 0.1, 0.1, 0.5]
    low, high = [-np.inf, 0.0, LEAST_SHED, 0.3 * SLIDING_MPS2], [np.inf, np.inf, MOST_SHED, 3 * SLIDING_MPS2]
    # Where rolling begins is a kink of the model: the fit can stick on the wrong side of it, so it is begun on both.
    found = min(
        (
            least_squares(residuals, [begin, speed, shed, SLIDING_MPS2], slopes, (low, high), x_scale=scale)
            for shed in (0.05, 0.15, 0.30)
        ),
        key=lambda fit: float(fit.cost),
    )
    for _ in range(REWEIGHTINGS):
        # A smeared ball is seen less surely along its way than the views state: what they leave unsaid is added.
        sd = np.hypot(first.sd, unstated_sd(_run_m(tau, *found.x) - distance, first.sd, len(tau) - 2))
        found = least_squares(residuals, found.x, slopes, (low, high), x_scale=scale)
    # Or more surely: edges of a smeared ball scatter ahead and behind alike. Then it counts as its sightings scatter.
    share = share_of_stated((_run_m(tau, *found.x) - distance) / sd, len(tau) - 2)
    jacobian = np.array(found.jac)
    jacobian[: len(tau)] /= np.sqrt(share)
    spread_of = np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian)))
    return Launch(float(first.t[0] + found.x[0]), float(spread_of[0]), float(found.x[1]), float(spread_of[1]))


def unstated_sd(left: Vector, sd: Vector, freedom: int) -> float:
    """What errors have beside their stated ``sd`` (n,), all alike, when residuals ``left`` (n,) scatter by more.

    It makes the sum of squares what it is expected to be (Mandel & Paule, Analytical Chemistry 42, 1970); 0 when the
    stated ones suffice, or ``freedom`` is too small to tell.
    """
    if freedom <= 2 or float(((left / sd) ** 2).sum()) <= freedom:
        return 0.0
    # Between none and what would account for all of it alone.
    most = float(np.sqrt(left @ left / freedom))
    return float(brentq(lambda more: float((left**2 / (sd**2 + more**2)).sum()) - freedom, 0.0, most))


def _run_m(t: Vector, begin: float, speed: float, shed: float, slowing: float) -> Vector:
    """How far (n,) a ball has come at times (n,) that set off at ``begin`` and loses ``shed`` of its speed sliding.

    Before it set off the path is carried back at the first speed, so that the fit has a slope there too.
    """
    run = t - begin
    slide_s = shed * speed / slowing
    slid = np.clip(run, 0.0, slide_s)
    rolled = np.maximum(run - slide_s, 0.0)
    sliding = speed * np.minimum(run, slide_s) - slowing * slid**2 / 2
    return sliding + speed * (1 - shed) * rolled - ROLLING_MPS2 * rolled**2 / 2


def _run_slopes(t: Vector, begin: float, speed: float, shed: float, slowing: float) -> Matrix:
    """How ``_run_m`` changes with each of its four parameters, (n, 4)."""
    run = t - begin
    slide_s = shed * speed / slowing
    slides = run <= slide_s
    slid = np.clip(run, 0.0, slide_s)
    rolled = np.maximum(run - slide_s, 0.0)
    # The speed at each moment; what sliding has come to once it is over enters by when it ends, too.
    now = np.where(slides, speed - slowing * slid, speed * (1 - shed) - ROLLING_MPS2 * rolled)
    later = speed * (1 - shed) - now
    return np.column_stack(
        [
            -now,
            np.where(slides, run, slide_s + (1 - shed) * rolled + later * shed / slowing),
            np.where(slides, 0.0, later * speed / slowing - speed * rolled),
            np.where(slides, -(slid**2) / 2, -(slide_s**2) / 2 - later * slide_s / slowing),
        ]
    )
