"""A ball's way over rails, by parameters: where it is when, leg by leg, as cloth and cushions slow and turn it.

Many ways are told at once, one for each set of parameters: slopes of a fit cost hardly more than the way itself. Arrays
begin with the shape of the sets, written (...), which is () for a single one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.table import Rail, Table, Vector
from vision.launch import LEAST_SHED, MOST_SHED, ROLLING_MPS2, SLIDING_SD_MPS2
from vision.legs import SLIDING_MPS2, Path
from vision.settling import ALONG_SD, ROLL_KEPT, ROLL_KEPT_SD

# Shares of the speed towards a rail and along it that a cushion returns: an apparent restitution of 0.6 to 0.9 is
# published (D. G. Alciatore, Colorado State University, billiards.colostate.edu, physical properties).
TOWARDS_KEPT, TOWARDS_SD, ALONG_KEPT, ALONG_KEPT_SD = 0.78, 0.10, 0.80, 0.10
# A ball comes to a rail, and leaves it, no slower than this, and is followed no longer than this after the last one.
LEAST_MPS, MOST_S = 0.02, 3.0
# How far off a film puts a track line: what a registration leaves across a rail.
TRACK_SD_M = 0.001
# How many parameters there are before the rails, and for each of them.
BEFORE, EACH = 8, 5
# In what a beginning's velocity is measured where nothing is known of it.
VELOCITY_SCALE_MPS = 0.1
# Slower than this a ball has no direction.
STILL_MPS = 1e-6

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Begin:
    """How the way begins: at a moment ``time_s`` at ``at_m`` (2,) with ``velocity_mps`` (2,), slowed by what friction
    can do; each with what it may be wrong by (infinite: nothing is known of it).

    ``shed`` is the share of its speed that a ball sheds as it slides, before it rolls; NaN where the way begins
    elsewhere than at rest: then it is slowed alike until the first rail.
    """

    time_s: float
    at_m: Vector
    velocity_mps: Vector
    time_sd_s: float = np.inf
    at_sd_m: float = np.inf
    velocity_sd_mps: float = np.inf
    shed: float = np.nan
    shed_sd: float = np.nan


@dataclass(frozen=True)
class Leg:
    """A leg from ``time_s`` (...) on: place and velocity, (..., 2) each, how it is slowed (..., 2), and from how long
    after it rolls (...)."""

    time_s: Array
    at_m: Array
    velocity: Array
    slowed: Array
    slides_s: Array

    def after(self, tau: Array) -> tuple[Array, Array]:
        """Place and velocity, (..., 2), so long after it began, (...)."""
        slid = np.minimum(tau, self.slides_s)[..., None]
        velocity = self.velocity + self.slowed * slid
        at_m = self.at_m + (self.velocity + velocity) / 2 * slid
        speed = _size(velocity)
        rolled = np.clip(tau - self.slides_s, 0.0, speed / ROLLING_MPS2)
        slower = velocity * (1 - ROLLING_MPS2 * rolled / speed)[..., None]
        return at_m + (velocity + slower) / 2 * rolled[..., None], slower

    def places(self, tau: Array) -> Array:
        """Places (..., n, 2) so long after it began, (..., n)."""
        slid = np.minimum(tau, self.slides_s[..., None])[..., None]
        out = self.at_m[..., None, :] + self.velocity[..., None, :] * slid + self.slowed[..., None, :] * (slid**2 / 2)
        velocity = self.velocity + self.slowed * self.slides_s[..., None]
        speed = _size(velocity)[..., None]
        rolled = np.clip(tau - self.slides_s[..., None], 0.0, speed / ROLLING_MPS2)
        along = rolled - ROLLING_MPS2 / speed * rolled**2 / 2
        return np.asarray(out + velocity[..., None, :] * along[..., None])

    def reaches_s(self, axis: int, level: Array, outward: float) -> Array:
        """How long after it began it comes to a track line, (...); ``MOST_S`` when it never does."""
        gap = outward * (level - self.at_m[..., axis])
        speed = np.maximum(outward * self.velocity[..., axis], LEAST_MPS)
        inside = speed**2 + 2 * outward * self.slowed[..., axis] * gap
        sliding = np.where(inside > 0, 2 * gap / (speed + np.sqrt(np.maximum(inside, 0.0))), MOST_S)
        at_m, velocity = self.after(self.slides_s)
        gap = outward * (level - at_m[..., axis])
        speed = np.maximum(outward * velocity[..., axis], LEAST_MPS)
        inside = speed**2 - 2 * ROLLING_MPS2 * speed / _size(velocity) * gap
        rolling = self.slides_s + 2 * gap / (speed + np.sqrt(np.maximum(inside, 0.0)))
        return np.clip(np.where(sliding > self.slides_s, rolling, sliding), -MOST_S, MOST_S)


@dataclass(frozen=True)
class RailWay:
    """Ways over the ``rails`` in their order, and where they are at the sightings ``seen``.

    The parameters are differences from what is expected, in units of their standard deviations (or of a scale):
    time, place (2), velocity (2), how the first leg is slowed (2; from rest: what sliding sheds, and how fast), sliding
    friction after; for each rail what it returns of the speed towards it and along it, what it leaves of the roll, how
    the ball rolls along it, and where it is.
    Times are from ``origin_s`` on.
    """

    begin: Begin
    rails: tuple[Rail, ...]
    table: Table
    seen: Path
    origin_s: float

    def legs(self, found: Array) -> list[Leg]:
        """Legs by parameters (..., p)."""
        begin = self.begin
        sds = [begin.time_sd_s, begin.at_sd_m, begin.velocity_sd_mps]
        scale = np.where(np.isfinite(sds), sds, [0.01, 0.01, VELOCITY_SCALE_MPS])
        velocity = begin.velocity_mps + found[..., 3:5] * scale[2]
        friction = _friction(found[..., 7])
        slowed, slides_s = found[..., 5:7] * SLIDING_MPS2, np.full(found.shape[:-1], MOST_S)
        if np.isfinite(begin.shed):
            # Its own friction: what is wrong with the way off a cushion shall not tell how the ball set off.
            speed, sliding = _size(velocity), _friction(found[..., 6])
            slowed = -(sliding / speed)[..., None] * velocity
            slides_s = np.clip(begin.shed + found[..., 5] * begin.shed_sd, LEAST_SHED, MOST_SHED) * speed / sliding
        leg = Leg(
            begin.time_s + found[..., 0] * scale[0], begin.at_m + found[..., 1:3] * scale[1], velocity, slowed, slides_s
        )
        out = [leg]
        for k, rail in enumerate(self.rails):
            leg = self._off(leg, rail, found[..., BEFORE + EACH * k : BEFORE + EACH * (k + 1)], friction)
            out.append(leg)
        return out

    def _off(self, leg: Leg, rail: Rail, found: Array, friction: Array) -> Leg:
        """The leg that follows on one over a rail, by the rail's own parameters (..., EACH)."""
        towards, along, kept, aside, shift = (found[..., k] for k in range(EACH))
        axis, track = self.table.track_coordinate(rail)
        outward = 1.0 if track > self.table.centre_m[axis] else -1.0
        level = track + shift * TRACK_SD_M
        tau = leg.reaches_s(axis, level, outward)
        at_m, arriving = leg.after(tau)
        into = np.maximum(outward * arriving[..., axis], LEAST_MPS)
        velocity, roll = np.empty_like(arriving), np.empty_like(arriving)
        velocity[..., axis] = -outward * into * np.maximum(TOWARDS_KEPT + towards * TOWARDS_SD, 0.1)
        velocity[..., 1 - axis] = arriving[..., 1 - axis] * (ALONG_KEPT + along * ALONG_KEPT_SD)
        roll[..., axis] = outward * into * (ROLL_KEPT + kept * ROLL_KEPT_SD)
        roll[..., 1 - axis] = velocity[..., 1 - axis] + aside * ALONG_SD * _size(arriving)
        slip = velocity - roll
        size = _size(slip)
        at_m[..., axis] = level
        slowed = -(friction / size)[..., None] * slip
        return Leg(leg.time_s + tau, at_m, velocity, slowed, 2 / 7 * size / friction)

    def places(self, legs: Sequence[Leg]) -> Array:
        """Where the ball was at the sightings, (..., n, 2)."""
        times = self.seen.t
        out = legs[0].places(times - legs[0].time_s[..., None])
        for leg in legs[1:]:
            tau = times - leg.time_s[..., None]
            out = np.where((tau >= 0)[..., None], leg.places(tau), out)
        return out

    def known(self, found: Array) -> Array:
        """What is known beforehand, (..., p), in standard deviations; nothing of what is not known."""
        begin = self.begin
        sds = np.array([begin.time_sd_s, *[begin.at_sd_m] * 2, *[begin.velocity_sd_mps] * 2])
        return np.concatenate([np.where(np.isfinite(sds), found[..., :5], 0.0), found[..., 5:]], axis=-1)


def _friction(off: Array) -> Array:
    """Sliding deceleration (...) so many standard deviations off the usual one."""
    return np.maximum(SLIDING_MPS2 + off * SLIDING_SD_MPS2, 0.3 * SLIDING_MPS2)


def _size(of: Array) -> Array:
    """Lengths (...) of vectors (..., 2), never quite 0."""
    return np.maximum(np.hypot(of[..., 0], of[..., 1]), STILL_MPS)
