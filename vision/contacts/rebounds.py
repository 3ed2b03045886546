"""A ball's way over one rail or several, told by all its sightings there at once and by the laws of rebound.

A leg that a film shows once or twice, or not at all, is determined all the same: it begins where the leg before ended,
with the speed that a cushion returns, and ends where the next one begins. What a cushion and the cloth do is known
beforehand as well as they differ; a leg that is seen well tells it by itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calibration.table import Rail, Table, Vector
from vision.launch import ROLLING_MPS2, SLIDING_SD_MPS2, Launch
from vision.legs import SLIDING_MPS2, Line, Path
from vision.reading import RailHit
from vision.settling import ALONG_SD, ROLL_KEPT, ROLL_KEPT_SD

# Shares of the speed towards a rail and along it that a cushion returns: an apparent restitution of 0.6 to 0.9 is
# published (D. G. Alciatore, Colorado State University, billiards.colostate.edu, physical properties).
TOWARDS_KEPT, TOWARDS_SD, ALONG_KEPT, ALONG_KEPT_SD = 0.78, 0.10, 0.80, 0.10
# A ball comes to a rail, and leaves it, no slower than this, and is followed no longer than this after the last one.
LEAST_MPS, MOST_S = 0.02, 3.0
# A rail that gives lets a ball in by a few millimetres for a few thousandths of a second: sightings so soon before or
# after a contact in an instant on the track line are off by about this. Not measured: no source.
RAIL_SD_M, RAIL_S = 0.0007, 0.03
# How far off a film puts a track line: what a registration leaves across a rail.
TRACK_SD_M = 0.001
# How many parameters there are before the rails, and for each of them.
BEFORE, EACH = 8, 5
# A sighting this close to a contact may be smeared round it: the middle of the streak is off by up to a quarter of the
# way that the ball makes in an exposure.
SMEARED_S, SMEARED_SHARE = 0.009, 0.25
# Slopes of the fit are taken over so much of a parameter's standard deviation.
STEP = 1e-5


@dataclass(frozen=True)
class Begin:
    """How the way begins: at a moment ``time_s`` at ``at_m`` (2,) with ``velocity_mps`` (2,), slowed by what friction
    can do; each with what it may be wrong by (infinite: nothing is known of it)."""

    time_s: float
    at_m: Vector
    velocity_mps: Vector
    time_sd_s: float = np.inf
    at_sd_m: float = np.inf
    velocity_sd_mps: float = np.inf


@dataclass(frozen=True)
class Arrival:
    """The line on which a ball comes to its first rail, told by more than what is seen in its way over the rails: of
    the first ``count`` sightings of that it is then asked only how far along the line they are."""

    line: Line
    count: int


@dataclass(frozen=True)
class _Leg:
    """A leg from ``time_s`` on: place and velocity, (2,) each, how it is slowed (2,), and from how long after it rolls.

    The first leg slides as long as it lasts.
    """

    time_s: float
    at_m: Vector
    velocity: Vector
    slowed: Vector
    slides_s: float

    def after(self, tau: float) -> tuple[Vector, Vector]:
        """Place and velocity so long after it began."""
        slid = min(tau, self.slides_s)
        velocity = self.velocity + self.slowed * slid
        at_m = self.at_m + (self.velocity + velocity) / 2 * slid
        rolled = max(tau - self.slides_s, 0.0)
        speed = float(np.hypot(*velocity))
        if rolled <= 0.0 or speed < 1e-6:
            return at_m, velocity
        rolled = min(rolled, speed / ROLLING_MPS2)
        slower = velocity * (1 - ROLLING_MPS2 * rolled / speed)
        return at_m + (velocity + slower) / 2 * rolled, slower

    def places(self, tau: Vector) -> NDArray[np.float64]:
        """Places (n, 2) so long after it began, (n,)."""
        slid = np.minimum(tau, self.slides_s)[:, None]
        out = self.at_m + self.velocity * slid + self.slowed * (slid**2 / 2)
        if tau[-1] > self.slides_s:
            velocity = self.velocity + self.slowed * self.slides_s
            speed = max(float(np.hypot(*velocity)), 1e-6)
            rolled = np.clip(tau - self.slides_s, 0.0, speed / ROLLING_MPS2)[:, None]
            out = out + velocity * (rolled - ROLLING_MPS2 / speed * rolled**2 / 2)
        return np.asarray(out)

    def reaches_s(self, axis: int, level: float, outward: float) -> float:
        """How long after it began it comes to a track line; ``MOST_S`` when it never does."""
        gap = outward * (level - float(self.at_m[axis]))
        speed, slowed = outward * float(self.velocity[axis]), outward * float(self.slowed[axis])
        speed = max(speed, LEAST_MPS)
        inside = speed**2 + 2 * slowed * gap
        tau = 2 * gap / (speed + np.sqrt(inside)) if inside > 0 else MOST_S
        if tau > self.slides_s:
            at_m, velocity = self.after(self.slides_s)
            tau = self.slides_s + outward * (level - float(at_m[axis])) / max(
                outward * float(velocity[axis]), LEAST_MPS
            )
        return float(np.clip(tau, -MOST_S, MOST_S))


@dataclass(frozen=True)
class Rebounds:
    """A way over rails as it was fitted. ``cost``: what is left, in squared standard deviations, with what the laws of
    rebound had to be bent; ``left`` (n,): what is left of each sighting; ``freedom``: how many sightings' coordinates
    there are beyond what was free to fit."""

    hits: tuple[RailHit, ...]
    cost: float
    left: Vector
    freedom: int
    begin: Begin
    begin_sd: tuple[float, float]
    model: "_Model"
    found: Vector
    covariance: NDArray[np.float64]

    @property
    def noise(self) -> float:
        """How much larger than stated the errors are, as a factor of their variance; at least 1."""
        return max(self.cost / max(self.freedom, 1), 1.0)

    @property
    def launch(self) -> Launch | None:
        """How the ball set off; None when the way does not begin where it lay."""
        if not np.isfinite(self.model.begin.at_sd_m):
            return None
        return Launch(self.begin.time_s, self.begin_sd[0], float(np.hypot(*self.begin.velocity_mps)), self.begin_sd[1])

    def line(self, hit: int, target_m: Vector) -> Line:
        """The line on which the ball passed closest to a target (2,) after the contact ``hit``, had nothing met it."""

        def told(found: Vector) -> tuple[Vector, Vector]:
            leg = self.model.legs(found)[hit + 1]
            low, high = 0.0, leg.slides_s + 60.0
            for _ in range(50):
                middle = (low + high) / 2
                at_m, velocity = leg.after(middle)
                if (target_m - at_m) @ velocity > 0 and float(np.hypot(*velocity)) > 1e-3:
                    low = middle
                else:
                    high = middle
            return leg.after(low)

        at_m, velocity = told(self.found)
        bearing = float(np.arctan2(velocity[1], velocity[0]))
        aside = np.array([-np.sin(bearing), np.cos(bearing)])

        def off(found: Vector) -> Vector:
            place, way = told(found)
            turn = (np.arctan2(way[1], way[0]) - bearing + np.pi) % (2 * np.pi) - np.pi
            return np.array([(place - at_m) @ aside - turn * ((place - at_m) @ np.array([aside[1], -aside[0]])), turn])

        both = _carried(off, self.found, self.covariance)
        ahead = -both[0, 1] / both[1, 1]
        through = at_m + ahead * np.array([np.cos(bearing), np.sin(bearing)])
        offset_m2 = max(both[0, 0] - both[0, 1] ** 2 / both[1, 1], 0.0)
        return Line(through, bearing % (2 * np.pi), float(np.sqrt(both[1, 1])), float(np.sqrt(offset_m2)))


@dataclass(frozen=True)
class _Model:
    """The parameters are differences from what is expected, in units of their standard deviations (or of a scale):
    time, place (2), velocity (2), how the first leg is slowed (2), sliding friction; for each rail what it returns of
    the speed towards it and along it, what it leaves of the roll, how the ball rolls along it, and where it is.
    Times are from ``origin_s`` on."""

    begin: Begin
    rails: tuple[Rail, ...]
    table: Table
    seen: Path
    origin_s: float

    def legs(self, found: Vector) -> list[_Leg]:
        begin = self.begin
        sds = [begin.time_sd_s, begin.at_sd_m, begin.velocity_sd_mps]
        scale = np.where(np.isfinite(sds), sds, [0.01, 0.01, 0.1])
        slowed = np.asarray(found[5:7]) * SLIDING_MPS2
        leg = _Leg(
            begin.time_s + found[0] * scale[0],
            begin.at_m + found[1:3] * scale[1],
            begin.velocity_mps + found[3:5] * scale[2],
            slowed,
            MOST_S,
        )
        friction = max(SLIDING_MPS2 + found[7] * SLIDING_SD_MPS2, 0.3 * SLIDING_MPS2)
        out = [leg]
        for k, rail in enumerate(self.rails):
            towards, along, kept, aside, shift = found[BEFORE + EACH * k : BEFORE + EACH * (k + 1)]
            axis, level = self.table.track_coordinate(rail)
            outward = 1.0 if level > self.table.centre_m[axis] else -1.0
            level += shift * TRACK_SD_M
            tau = leg.reaches_s(axis, level, outward)
            at_m, arriving = leg.after(tau)
            speed = float(np.hypot(*arriving))
            into = max(outward * float(arriving[axis]), LEAST_MPS)
            velocity, roll = np.empty(2), np.empty(2)
            velocity[axis] = -outward * into * max(TOWARDS_KEPT + towards * TOWARDS_SD, 0.1)
            velocity[1 - axis] = arriving[1 - axis] * (ALONG_KEPT + along * ALONG_KEPT_SD)
            roll[axis] = outward * into * (ROLL_KEPT + kept * ROLL_KEPT_SD)
            roll[1 - axis] = velocity[1 - axis] + aside * ALONG_SD * speed
            slip = velocity - roll
            size = max(float(np.hypot(*slip)), 1e-6)
            at_m = at_m.copy()
            at_m[axis] = level
            leg = _Leg(leg.time_s + tau, at_m, velocity, -friction * slip / size, 2 / 7 * size / friction)
            out.append(leg)
        return out

    def places(self, legs: Sequence[_Leg]) -> NDArray[np.float64]:
        """Where the ball was at the sightings, (n, 2)."""
        out = np.empty((len(self.seen), 2))
        firsts = np.searchsorted(self.seen.t, [leg.time_s for leg in legs[1:]])
        for leg, first, last in zip(legs, [0, *firsts], [*firsts, len(out)], strict=True):
            if last > first:
                out[first:last] = leg.places(self.seen.t[first:last] - leg.time_s)
        return out

    def known(self, found: Vector) -> Vector:
        """What is known beforehand, in standard deviations; nothing of what is not known."""
        begin = self.begin
        sds = np.array([begin.time_sd_s, *[begin.at_sd_m] * 2, *[begin.velocity_sd_mps] * 2])
        return np.append(np.where(np.isfinite(sds), found[:5], 0.0), found[5:])


def fit_rebounds(begin: Begin, rails: Sequence[Rail], seen: Path, table: Table) -> Rebounds | None:
    """The way that begins so, meets the ``rails`` in that order, and explains the sightings best.

    None when no such way comes near them. All sightings count as if they were beside a contact: what is told so is
    which rails were met, not yet as well as can be where (see ``sharpened``).
    """
    # Times are the way's own, from its first moment on: those late in a film are as exact as those at its start.
    origin_s = float(seen.t[0])
    seen = replace(seen, t=seen.t - origin_s)
    model = _Model(replace(begin, time_s=begin.time_s - origin_s), tuple(rails), table, seen, origin_s)
    sd = np.hypot(seen.sd, RAIL_SD_M)
    found, covariance, left = _fitted(model, sd, np.zeros(BEFORE + EACH * len(rails)))
    smeared = _smear_m(model.legs(found), seen)
    if smeared.any():
        found, covariance, left = _fitted(model, np.hypot(sd, smeared), found)
    return _told(model, found, covariance, left, 2 * len(seen))


def sharpened(rough: Rebounds, arrival: Arrival | None) -> Rebounds:
    """The same way with sightings away from the contacts taken at their own standard deviations, and with the line on
    which the ball came, if that is known; what is left of the sightings stays as it was told."""
    model = rough.model
    legs = model.legs(rough.found)
    near = np.min([np.abs(model.seen.t - leg.time_s) for leg in legs[1:]], axis=0) < RAIL_S
    sd = np.linalg.norm([model.seen.sd, np.where(near, RAIL_SD_M, 0.0), _smear_m(legs, model.seen)], axis=0)
    found, covariance, left = _fitted(model, sd, rough.found, arrival)
    dropped = max(arrival.count - 2, 0) if arrival is not None else 0
    fine = _told(model, found, covariance, left, 2 * len(model.seen) - dropped)
    return rough if fine is None else replace(fine, cost=rough.cost, left=rough.left, freedom=rough.freedom)


def _fitted(
    model: _Model, sd: Vector, start: Vector, arrival: Arrival | None = None
) -> tuple[Vector, NDArray[np.float64], Vector]:
    """Parameters that explain the sightings best, from ``start`` on, their covariance, and what is left: of the
    sightings first, two for each, in standard deviations ``sd`` (n,)."""
    seen, begin = model.seen, model.begin
    fixed = np.ones(len(start), dtype=bool)
    # A place and a moment that are both free say the same twice.
    fixed[0] = begin.time_sd_s > 0
    fixed[1:3] = begin.at_sd_m > 0

    def whole(x: Vector) -> Vector:
        found = np.zeros(len(fixed))
        found[fixed] = x
        return found

    def left(x: Vector) -> Vector:
        found = whole(x)
        legs = model.legs(found)
        off = model.places(legs) - seen.xy
        told: list[Vector] = [model.known(found)]
        if arrival is not None:
            ahead = arrival.line.direction
            off[: arrival.count] = np.outer(off[: arrival.count] @ ahead, ahead)
            told.append(_off_line(arrival.line, legs))
        return np.concatenate([(off / sd[:, None]).ravel(), *told])

    fit = least_squares(left, start[fixed], method="trf", max_nfev=60, xtol=1e-7, ftol=1e-7, diff_step=[STEP])
    jacobian = np.asarray(fit.jac, float)
    covariance = np.zeros((len(fixed), len(fixed)))
    covariance[np.ix_(fixed, fixed)] = np.linalg.pinv(jacobian.T @ jacobian)
    return whole(fit.x), covariance, np.asarray(fit.fun)


def _told(
    model: _Model, found: Vector, covariance: NDArray[np.float64], left: Vector, coordinates: int
) -> Rebounds | None:
    """What parameters say that left so much of so many coordinates; None when it makes no sense."""
    begin, cost = model.begin, float(left @ left)
    free = sum(not np.isfinite(s) for s in (begin.time_sd_s, *[begin.at_sd_m] * 2, *[begin.velocity_sd_mps] * 2))
    freedom = coordinates - free
    covariance = covariance * max(cost / max(freedom, 1), 1.0)
    hits = tuple(_hit(model, found, covariance, k) for k in range(len(model.rails)))
    times = [hit.t_s for hit in hits]
    if not np.isfinite(cost) or times != sorted(times):
        return None
    first = model.legs(found)[0]
    begun_sd = _carried(lambda f: _launched(model, f), found, covariance)
    return Rebounds(
        hits,
        cost,
        np.hypot(*left[: 2 * len(model.seen)].reshape(-1, 2).T),
        freedom,
        Begin(first.time_s + model.origin_s, first.at_m, first.velocity),
        (float(np.sqrt(begun_sd[0, 0])), float(np.sqrt(begun_sd[1, 1]))),
        model,
        found,
        covariance,
    )


def _launched(model: _Model, found: Vector) -> Vector:
    first = model.legs(found)[0]
    return np.array([first.time_s, float(np.hypot(*first.velocity))])


def _off_line(line: Line, legs: Sequence[_Leg]) -> Vector:
    """How far from a line a way comes to its first rail: aside at the line's middle, and turned, (2,), in standard
    deviations."""
    met = legs[1].at_m
    _, velocity = legs[0].after(legs[1].time_s - legs[0].time_s)
    ahead = line.direction
    aside = np.array([-ahead[1], ahead[0]])
    turn = float(np.arctan2(velocity @ aside, velocity @ ahead))
    offset = (met - line.through_m) @ aside - turn * ((met - line.through_m) @ ahead)
    return np.array([offset / line.offset_sd_m, turn / line.bearing_sd_rad])


def _smear_m(legs: Sequence[_Leg], seen: Path) -> Vector:
    """What sightings (n,) are off that were exposed while the ball met a rail, metres."""
    off = np.zeros(len(seen))
    for before, leg in pairwise(legs):
        near = np.abs(seen.t - leg.time_s) < SMEARED_S
        speed = float(np.hypot(*before.after(leg.time_s - before.time_s)[1]))
        off[near] = SMEARED_SHARE * speed * SMEARED_S
    return off


def _hit(model: _Model, found: Vector, covariance: NDArray[np.float64], k: int) -> RailHit:
    rail = model.rails[k]
    axis, level = model.table.track_coordinate(rail)
    legs = model.legs(found)
    along = _carried(lambda f: model.legs(f)[k + 1].at_m[1 - axis : 2 - axis or None], found, covariance)
    before, after = legs[k], legs[k + 1]
    _, arriving = before.after(after.time_s - before.time_s)
    at_m = after.at_m.copy()
    at_m[axis] = level
    return RailHit(
        rail=rail,
        at_m=at_m,
        at_sd_m=float(np.sqrt(along[0, 0])),
        t_s=after.time_s + model.origin_s,
        speed_in_mps=float(np.hypot(*arriving)),
        speed_out_mps=float(np.hypot(*after.velocity)),
        bearing_in_rad=float(np.arctan2(arriving[1], arriving[0]) % (2 * np.pi)),
        bearing_out_rad=float(np.arctan2(after.velocity[1], after.velocity[0]) % (2 * np.pi)),
    )


def _carried(told: Callable[[Vector], Vector], found: Vector, covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The covariance of what is told, (k, k), from that of what was found."""
    steps = np.sqrt(np.maximum(np.diag(covariance), 0.0)) / 2
    slopes = []
    for step, way in zip(steps, np.eye(len(found)), strict=True):
        if step > 0:
            slopes.append((told(found + step * way) - told(found - step * way)) / (2 * step))
        else:
            slopes.append(0.0 * told(found))
    matrix = np.column_stack(slopes)
    return np.asarray(matrix @ covariance @ matrix.T)
