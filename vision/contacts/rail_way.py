"""A ball's way over rails, by parameters: where it is when, leg by leg, as cloth and cushions slow and turn it.

Many ways are told at once, one for each set of parameters: slopes of a fit cost hardly more than the way itself. Arrays
begin with the shape of the sets, written (...), which is () for a single one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.compiled import compiled
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
# A leg as a row of numbers: when it begins (s); where (m); with what velocity (m/s); how it is slowed (m/s2); and from
# how long after it rolls (s).
_TIME, _AT, _VELOCITY, _SLOWED, _SLIDES, _NUMBERS = 0, 1, 3, 5, 7, 8

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
    """A leg by its ``numbers`` (..., 8): it begins at ``time_s`` (...), place and velocity are (..., 2) each, so is how
    it is slowed; from so long after it rolls (...)."""

    numbers: Array

    @property
    def time_s(self) -> Array:
        return np.asarray(self.numbers[..., _TIME])

    @property
    def at_m(self) -> Array:
        return self.numbers[..., _AT:_VELOCITY]

    @property
    def velocity(self) -> Array:
        return self.numbers[..., _VELOCITY:_SLOWED]

    @property
    def slides_s(self) -> Array:
        return np.asarray(self.numbers[..., _SLIDES])

    def after(self, tau: Array) -> tuple[Array, Array]:
        """Place and velocity, (..., 2), so long after it began, (...)."""
        shape = np.broadcast_shapes(np.shape(tau), self.numbers.shape[:-1])
        legs = np.broadcast_to(self.numbers, (*shape, _NUMBERS)).reshape(-1, _NUMBERS)
        tau = np.broadcast_to(tau, shape)
        then = _all_after(np.ascontiguousarray(legs), np.ascontiguousarray(tau, float).reshape(-1)).reshape(*shape, 4)
        return then[..., :2], then[..., 2:]


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
        begin, table = self.begin, self.table
        sds = [begin.time_sd_s, begin.at_sd_m, begin.velocity_sd_mps]
        scales = np.where(np.isfinite(sds), sds, [0.01, 0.01, VELOCITY_SCALE_MPS])
        rails = np.empty((len(self.rails), 3))
        for k, rail in enumerate(self.rails):
            axis, track = table.track_coordinate(rail)
            rails[k] = axis, track, 1.0 if track > table.centre_m[axis] else -1.0
        start = _Start(
            float(begin.time_s),
            np.asarray(begin.at_m, float),
            np.asarray(begin.velocity_mps, float),
            scales,
            float(begin.shed),
            float(begin.shed_sd),
        )
        sets = np.ascontiguousarray(found.reshape(found[..., 0].size, found.shape[-1]))
        numbers = _legs(start, rails, sets).reshape(len(rails) + 1, *found.shape[:-1], _NUMBERS)
        return [Leg(leg) for leg in numbers]

    def places(self, legs: Sequence[Leg]) -> Array:
        """Where the ball was at the sightings, (..., n, 2)."""
        numbers = np.stack([leg.numbers for leg in legs])
        flat = numbers.reshape(len(legs), numbers[0, ..., 0].size, _NUMBERS)
        return _places(flat, self.seen.t).reshape(*numbers.shape[1:-1], len(self.seen), 2)

    def known(self, found: Array) -> Array:
        """What is known beforehand, (..., p), in standard deviations; nothing of what is not known."""
        begin = self.begin
        sds = np.array([begin.time_sd_s, *[begin.at_sd_m] * 2, *[begin.velocity_sd_mps] * 2])
        return np.concatenate([np.where(np.isfinite(sds), found[..., :5], 0.0), found[..., 5:]], axis=-1)


class _Start(NamedTuple):
    """What is known of a way's begin, by ``Begin``: place and velocity (2,), and the ``scales`` (3,) of time, place and
    velocity."""

    time_s: float
    at_m: Vector
    velocity_mps: Vector
    scales: Vector
    shed: float
    shed_sd: float


@compiled
def _legs(start: _Start, rails: Array, sets: Array) -> Array:
    """The legs (k + 1, s, 8) of ways over rails (k, 3): the axis across each, where its track line lies, and which way
    is outward; one for each of the ``sets`` (s, p) of parameters."""
    out = np.empty((len(rails) + 1, len(sets), _NUMBERS))
    for n in range(len(sets)):
        found = sets[n]
        friction = _friction(found[7])
        _begin(start, found, out[0, n])
        for k in range(len(rails)):
            own = found[BEFORE + EACH * k : BEFORE + EACH * (k + 1)]
            _off(out[k, n], int(rails[k, 0]), rails[k, 1], rails[k, 2], own, friction, out[k + 1, n])
    return out


@compiled
def _begin(start: _Start, found: Array, leg: Array) -> None:
    """Write the first leg of a way, (8,)."""
    leg[_TIME] = start.time_s + found[0] * start.scales[0]
    for axis in range(2):
        leg[_AT + axis] = start.at_m[axis] + found[1 + axis] * start.scales[1]
        leg[_VELOCITY + axis] = start.velocity_mps[axis] + found[3 + axis] * start.scales[2]
        leg[_SLOWED + axis] = found[5 + axis] * SLIDING_MPS2
    leg[_SLIDES] = MOST_S
    if isfinite(start.shed):
        # Its own friction: what is wrong with the way off a cushion shall not tell how the ball set off.
        speed, sliding = _size(leg[_VELOCITY], leg[_VELOCITY + 1]), _friction(found[6])
        for axis in range(2):
            leg[_SLOWED + axis] = -sliding / speed * leg[_VELOCITY + axis]
        shed = min(max(start.shed + found[5] * start.shed_sd, LEAST_SHED), MOST_SHED)
        leg[_SLIDES] = shed * speed / sliding


@compiled
def _off(leg: Array, axis: int, track: float, outward: float, found: Array, friction: float, after: Array) -> None:
    """Write the leg (8,) that follows on one over a rail, by the rail's own parameters (EACH,)."""
    towards, along, kept, aside, shift = found[0], found[1], found[2], found[3], found[4]
    level, other = track + shift * TRACK_SD_M, 1 - axis
    tau = _reaches_s(leg, axis, level, outward)
    x, y, right, up = _after(leg, tau)
    arriving = (right, up)
    into = max(outward * arriving[axis], LEAST_MPS)
    after[_TIME] = leg[_TIME] + tau
    after[_AT], after[_AT + 1] = x, y
    after[_AT + axis] = level
    after[_VELOCITY + axis] = -outward * into * max(TOWARDS_KEPT + towards * TOWARDS_SD, 0.1)
    after[_VELOCITY + other] = arriving[other] * (ALONG_KEPT + along * ALONG_KEPT_SD)
    slip = after[_VELOCITY + axis] - outward * into * (ROLL_KEPT + kept * ROLL_KEPT_SD)
    slip_along = -aside * ALONG_SD * _size(right, up)
    size = _size(slip, slip_along)
    after[_SLOWED + axis] = -friction / size * slip
    after[_SLOWED + other] = -friction / size * slip_along
    after[_SLIDES] = 2 / 7 * size / friction


@compiled
def _reaches_s(leg: Array, axis: int, level: float, outward: float) -> float:
    """How long after it began a leg comes to a track line; ``MOST_S`` when it never does."""
    gap = outward * (level - leg[_AT + axis])
    speed = max(outward * leg[_VELOCITY + axis], LEAST_MPS)
    inside = speed * speed + 2 * outward * leg[_SLOWED + axis] * gap
    takes_s = 2 * gap / (speed + sqrt(inside)) if inside > 0 else MOST_S
    if takes_s > leg[_SLIDES]:
        x, y, right, up = _after(leg, leg[_SLIDES])
        gap = outward * (level - (x, y)[axis])
        speed = max(outward * (right, up)[axis], LEAST_MPS)
        inside = speed * speed - 2 * ROLLING_MPS2 * speed / _size(right, up) * gap
        takes_s = leg[_SLIDES] + 2 * gap / (speed + sqrt(max(inside, 0.0)))
    return min(max(takes_s, -MOST_S), MOST_S)


@compiled
def _after(leg: Array, tau: float) -> tuple[float, float, float, float]:
    """Place and velocity so long after a leg (8,) began."""
    slid = min(tau, leg[_SLIDES])
    right, up = leg[_VELOCITY] + leg[_SLOWED] * slid, leg[_VELOCITY + 1] + leg[_SLOWED + 1] * slid
    x = leg[_AT] + (leg[_VELOCITY] + right) / 2 * slid
    y = leg[_AT + 1] + (leg[_VELOCITY + 1] + up) / 2 * slid
    speed = _size(right, up)
    rolled = min(max(tau - leg[_SLIDES], 0.0), speed / ROLLING_MPS2)
    slower = 1 - ROLLING_MPS2 * rolled / speed
    along = (1 + slower) / 2 * rolled
    return x + right * along, y + up * along, right * slower, up * slower


@compiled
def _all_after(legs: Array, tau: Array) -> Array:
    """Place and velocity (s, 4) so long (s,) after legs (s, 8) began."""
    out = np.empty((len(legs), 4))
    for n in range(len(legs)):
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = _after(legs[n], tau[n])
    return out


@compiled
def _places(legs: Array, times: Array) -> Array:
    """Where ways with such legs (k, s, 8) are at some times (n,): (s, n, 2)."""
    out = np.empty((legs.shape[1], len(times), 2))
    for n in range(legs.shape[1]):
        for moment in range(len(times)):
            on = 0
            for k in range(1, len(legs)):
                if times[moment] >= legs[k, n, _TIME]:
                    on = k
            x, y, _, _ = _after(legs[on, n], times[moment] - legs[on, n, _TIME])
            out[n, moment, 0], out[n, moment, 1] = x, y
    return out


@compiled
def _friction(off: float) -> float:
    """Sliding deceleration so many standard deviations off the usual one."""
    return max(SLIDING_MPS2 + off * SLIDING_SD_MPS2, 0.3 * SLIDING_MPS2)


@compiled
def _size(x: float, y: float) -> float:
    """Length of a vector, never quite 0."""
    return max(hypot(x, y), STILL_MPS)
