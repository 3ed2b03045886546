"""The line on which a ball would have rolled after a rail, from a leg that was cut short while it still slid.

And the line of a ball that passes its target before it rolls: that on which it passes.

Off a rail a ball slides: friction of constant size and direction bends its path (Coriolis 1835) until it rolls, with
5/7 of its velocity and 2/7 of its roll as they were at the rail. What roll it brought along is not seen; how a rolling
ball comes off a rail says about what it is.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import hypot
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares

from calibration.compiled import compiled
from calibration.table import Table, Vector
from vision.legs import GRAVITY_MPS2, SLIDING_MPS2, Line, Path
from vision.reading import RailHit

# Of the roll towards the rail, a ball that came rolling keeps this share; along the rail it rolls, give or take this
# share of its speed there (english and draw do more than that, seldom). Common practice, no source.
ROLL_KEPT, ROLL_KEPT_SD, ALONG_SD = 0.25, 0.25, 0.15
# The size of sliding friction, give or take this share of the usual (``vision.legs`` says what is published).
SLIDING_SHARE_SD = 0.2
# How well the place of the contact is told.
CONTACT_SD_M = 0.003
# A rolling ball is slowed by about a hundredth of g: the middle of the published range, 0.005 to 0.015.
ROLLING_MPS2 = 0.01 * GRAVITY_MPS2
# Slopes are taken over so much of a parameter, or of one: least is lost so by rounding and curvature together.
SLOPE_STEP = float(np.sqrt(np.finfo(float).eps))
# From what is fitted (7,) to the place (2,) where the ball begins to roll, its velocity (2,) then, and seconds until.
End = Callable[[Vector], tuple[Vector, Vector, float]]


@dataclass(frozen=True)
class Settled:
    """The line in the end, or where the ball comes closest to a target, and from when on it rolled, seconds.

    ``still_slid`` says that it comes closest before it rolls.
    """

    line: Line
    from_s: float
    still_slid: bool = False


def settled_line(leg: Path, hit: RailHit, table: Table, target_m: Vector | None = None) -> Settled:
    """The line on which a ball comes to roll that was seen on ``leg`` after the contact ``hit``, longer or shorter.

    With a target (2,), metres, that it comes closest to while it still slides: the tangent of its path there.
    """
    axis, level = table.track_coordinate(hit.rail)
    outward = 1.0 if level > table.centre_m[axis] else -1.0
    arriving = hit.speed_in_mps * np.array([np.cos(hit.bearing_in_rad), np.sin(hit.bearing_in_rad)])
    into = max(outward * float(arriving[axis]), 0.0)
    ahead = (leg.xy[-1] - hit.at_m) / max(float(leg.t[-1]) - hit.t_s, 1e-3)
    # Place and velocity off the rail; roll towards the rail and along it; friction: the last three as expected.
    start = np.array([*hit.at_m, *ahead, ROLL_KEPT, 0.0, 1.0])
    expected, sds = start[4:], np.array([ROLL_KEPT_SD, ALONG_SD * max(hit.speed_in_mps, 0.1), SLIDING_SHARE_SD])
    known = _Known(axis, outward, into, np.asarray(hit.at_m, float), expected, sds)
    tau = leg.t - hit.t_s

    def end(found: Vector) -> tuple[Vector, Vector, float]:
        return _end(known, found)

    def left(found: Vector) -> Vector:
        return _left(known, found, tau, leg.xy, leg.sd)

    def slopes(found: Vector) -> NDArray[np.float64]:
        return _slopes(known, found, tau, leg.xy, leg.sd)

    scale = np.array([0.01, 0.01, 0.1, 0.1, 0.2, 0.1, 0.2])
    fit = least_squares(left, start, slopes, method="trf", x_scale=scale)
    jacobian = np.asarray(fit.jac, float)
    inflation = max(float(fit.fun @ fit.fun) / max(2 * len(leg) - 2, 1), 1.0)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * inflation
    from_s = hit.t_s + end(fit.x)[2]
    closest_s = None if target_m is None else _closest_s(fit.x, end, target_m)
    if closest_s is None:
        return Settled(_line(fit.x, covariance, end), from_s)

    def there(found: Vector) -> tuple[Vector, Vector, float]:
        """Where the ball is at that moment, if it still slides then, and with what velocity."""
        place, velocity = _sliding(found, end, closest_s)
        return place, velocity, closest_s

    return Settled(_line(fit.x, covariance, there), from_s, True)


class _Known(NamedTuple):
    """What is known of a leg before it is seen: the axis across the rail, which way is outward, how fast the ball came
    to it, m/s; where it met it (2,), metres; what is ``expected`` (3,) of roll and friction, and how far that may be
    off."""

    axis: int
    outward: float
    into: float
    met_m: Vector
    expected: Vector
    sds: Vector


@compiled
def _end(known: _Known, found: Vector) -> tuple[Vector, Vector, float]:
    """Where the ball begins to roll, with what velocity, and how long after the rail."""
    begins, rolling = np.empty(2), np.empty(2)
    across = found[2 + known.axis] - known.outward * found[4] * known.into
    size = max(hypot(across, found[5]), 1e-6)
    lasts = 2 / 7 * size / (SLIDING_MPS2 * max(found[6], 0.2))
    for axis in range(2):
        velocity = found[2 + axis]
        roll = known.outward * found[4] * known.into if axis == known.axis else velocity + found[5]
        rolling[axis] = (5 * velocity + 2 * roll) / 7
        begins[axis] = found[axis] + (velocity + rolling[axis]) / 2 * lasts
    return begins, rolling, lasts


@compiled
def _left(known: _Known, found: Vector, tau: Vector, seen_m: NDArray[np.float64], sd: Vector) -> Vector:
    """What is left of places (n, 2) seen so long after the rail, and of what is known, in standard deviations."""
    begins, rolling, lasts = _end(known, found)
    speed = max(hypot(rolling[0], rolling[1]), 1e-6)
    count = len(tau)
    out = np.empty(2 * count + 5)
    for n in range(count):
        for axis in range(2):
            if tau[n] < lasts:
                pull = (rolling[axis] - found[2 + axis]) / max(lasts, 1e-6)
                place = found[axis] + found[2 + axis] * tau[n] + pull * tau[n] ** 2 / 2
            else:
                rolled = tau[n] - lasts
                slowed = ROLLING_MPS2 * rolling[axis] / speed
                place = begins[axis] + rolling[axis] * rolled - slowed * rolled**2 / 2
            out[2 * n + axis] = (place - seen_m[n, axis]) / sd[n]
    for axis in range(2):
        out[2 * count + axis] = (found[axis] - known.met_m[axis]) / CONTACT_SD_M
    for k in range(3):
        out[2 * count + 2 + k] = (found[4 + k] - known.expected[k]) / known.sds[k]
    return out


@compiled
def _slopes(known: _Known, found: Vector, tau: Vector, seen_m: NDArray[np.float64], sd: Vector) -> NDArray[np.float64]:
    """How what is left changes with each of the parameters."""
    at = _left(known, found, tau, seen_m, sd)
    out = np.empty((len(at), len(found)))
    for k in range(len(found)):
        beside = found.copy()
        beside[k] += SLOPE_STEP * max(abs(found[k]), 1.0)
        then = _left(known, beside, tau, seen_m, sd)
        for n in range(len(at)):
            out[n, k] = (then[n] - at[n]) / (beside[k] - found[k])
    return out


def _sliding(found: Vector, end: End, after_s: float) -> tuple[Vector, Vector]:
    """Place and velocity, (2,) each, so long after the rail while the ball slides."""
    _, rolling, lasts = end(found)
    pull = (rolling - found[2:4]) / max(lasts, 1e-6)
    return found[:2] + found[2:4] * after_s + pull * after_s**2 / 2, found[2:4] + pull * after_s


def _closest_s(found: Vector, end: End, target_m: Vector) -> float | None:
    """How long after the rail a ball comes closest to a target, None when it rolls by then."""

    def ahead(after_s: float) -> float:
        place, velocity = _sliding(found, end, after_s)
        return float((target_m - place) @ velocity)

    lasts = end(found)[2]
    if ahead(lasts) >= 0:
        return None
    return float(brentq(ahead, 0.0, lasts)) if ahead(0.0) > 0 else 0.0


def _line(found: Vector, covariance: NDArray[np.float64], end: End) -> Line:
    """The line with errors carried over, through the place at which its offset and its bearing err independently."""
    begins, rolling, _ = end(found)
    bearing = float(np.arctan2(rolling[1], rolling[0]))
    left = np.array([-np.sin(bearing), np.cos(bearing)])

    def told(x: Vector) -> Vector:
        place, velocity, _ = end(x)
        turn = (np.arctan2(velocity[1], velocity[0]) - bearing + np.pi) % (2 * np.pi) - np.pi
        return np.array([(place - begins) @ left, turn])

    steps = np.maximum(np.sqrt(np.diag(covariance)), 1e-9) / 2
    slopes = np.column_stack(
        [(told(found + e) - told(found - e)) / (2 * s) for s, e in zip(steps, np.diag(steps), strict=True)]
    )
    both = slopes @ covariance @ slopes.T
    # The offset at a place so far ahead is independent of the bearing.
    ahead = -both[0, 1] / both[1, 1]
    return Line(
        begins + ahead * np.array([np.cos(bearing), np.sin(bearing)]),
        bearing % (2 * np.pi),
        float(np.sqrt(both[1, 1])),
        float(np.sqrt(max(both[0, 0] - both[0, 1] ** 2 / both[1, 1], 0.0))),
    )
