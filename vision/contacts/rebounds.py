"""A ball's way over one rail or several, told by all its sightings there at once and by the laws of rebound.

A leg that a film shows once or twice, or not at all, is determined all the same: it begins where the leg before ended,
with the speed that a cushion returns, and ends where the next one begins. What a cushion and the cloth do is known
beforehand as well as they differ; a leg that is seen well tells it by itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.optimize import least_squares

from calibration.table import Rail, Table, Vector
from vision.contacts.rail_way import BEFORE, EACH, VELOCITY_SCALE_MPS, Array, Begin, Leg, RailWay
from vision.launch import Launch
from vision.legs import Line, Path
from vision.reading import RailHit

# A rail that gives lets a ball in by a few millimetres for a few thousandths of a second: sightings so soon before or
# after a contact in an instant on the track line are off by about this. Not measured: no source.
RAIL_SD_M, RAIL_S = 0.0007, 0.03
# A sighting this close to a contact may be smeared round it: the middle of the streak is off by up to a quarter of the
# way that the ball makes in an exposure.
SMEARED_S, SMEARED_SHARE = 0.009, 0.25
# Slopes of the fit are taken over so much of a parameter's standard deviation.
STEP = 1e-5
# A fit that leaves more than this, as a factor of the variance, after so many evaluations comes to nothing: in films
# read, those that came to less than 6 had come to less than 8 by then.
HOPELESS_NOISE, SOON, MOST_EVALUATIONS = 20.0, 8, 60
# A fit that leaves more than this, as a factor of the variance, may have stuck.
STUCK_NOISE = 3.0
# How rough a fit is begun that came to nothing at once, and in how many evaluations more.
ROUGH_SD_M, ROUGHLY = 0.01, 8
# Ways to change the parameters that change what is seen by less than this, of the most, are not told by it.
SINGULAR = 3e-8


@dataclass(frozen=True)
class Arrival:
    """The line on which a ball comes to its first rail, told by more than what is seen in its way over the rails: of
    the first ``count`` sightings of that it is then asked only how far along the line they are."""

    line: Line
    count: int


@dataclass(frozen=True)
class Rebounds:
    """A way over rails as it was fitted. ``cost``: what is left, in squared standard deviations, with what the laws of
    rebound had to be bent; ``left`` (n,): what is left of each sighting; ``freedom``: how many sightings' coordinates
    there are beyond what was free to fit; ``spread`` (p, r): times its own transpose the covariance of the parameters
    ``found`` (p,)."""

    hits: tuple[RailHit, ...]
    cost: float
    left: Vector
    freedom: int
    begin: Begin
    begin_sd: tuple[float, float]
    model: RailWay
    found: Vector
    spread: Array

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

        def told(found: Array) -> tuple[Array, Array]:
            leg = self.model.legs(found)[hit + 1]
            low, high = np.zeros(found.shape[:-1]), leg.slides_s + 60.0
            for _ in range(50):
                middle = (low + high) / 2
                at_m, velocity = leg.after(middle)
                on = (((target_m - at_m) * velocity).sum(axis=-1) > 0) & (_speed(velocity) > 1e-3)
                low, high = np.where(on, middle, low), np.where(on, high, middle)
            return leg.after(low)

        at_m, velocity = told(self.found)
        bearing = float(np.arctan2(velocity[1], velocity[0]))
        aside = np.array([-np.sin(bearing), np.cos(bearing)])

        def off(found: Array) -> Array:
            place, way = told(found)
            turn = (np.arctan2(way[..., 1], way[..., 0]) - bearing + np.pi) % (2 * np.pi) - np.pi
            ahead_m = (place - at_m) @ np.array([aside[1], -aside[0]])
            return np.stack([(place - at_m) @ aside - turn * ahead_m, turn], axis=-1)

        both = _carried(off, self.found, self.spread)
        ahead = -both[0, 1] / both[1, 1]
        through = at_m + ahead * np.array([np.cos(bearing), np.sin(bearing)])
        offset_m2 = max(both[0, 0] - both[0, 1] ** 2 / both[1, 1], 0.0)
        return Line(through, bearing % (2 * np.pi), float(np.sqrt(both[1, 1])), float(np.sqrt(offset_m2)))


def fit_rebounds(begin: Begin, rails: Sequence[Rail], seen: Path, table: Table) -> Rebounds | None:
    """The way that begins so, meets the ``rails`` in that order, and explains the sightings best.

    None when no such way comes near them. All sightings count as if they were beside a contact: what is told so is
    which rails were met, not yet as well as can be where (see ``sharpened``).
    """
    # Times are the way's own, from its first moment on: those late in a film are as exact as those at its start.
    origin_s = float(seen.t[0])
    seen = replace(seen, t=seen.t - origin_s)
    model = RailWay(replace(begin, time_s=begin.time_s - origin_s), tuple(rails), table, seen, origin_s)
    sd = np.hypot(seen.sd, RAIL_SD_M)
    fitted = _unstuck(model, sd, _fitted(model, sd, np.zeros(BEFORE + EACH * len(rails))))
    smeared = np.zeros(len(seen)) if fitted is None else _smear_m(model.legs(fitted[0]), seen)
    if fitted is not None and smeared.any():
        fitted = _fitted(model, np.hypot(sd, smeared), fitted[0])
    if fitted is None:
        return None
    found, spread, left = fitted
    return _told(model, found, spread, left, 2 * len(seen))


def _unstuck(
    model: RailWay, sd: Vector, fitted: tuple[Vector, Array, Vector] | None
) -> tuple[Vector, Array, Vector] | None:
    """A fit, or a better one begun with the first rail met a frame sooner or later.

    A sighting beside a rail is from before it or after: which of the two, a fit cannot change its mind about. One that
    came to nothing is begun anew only from where a ball lay: that it sets off from there is known.
    """
    stuck = STUCK_NOISE * max(_freedom(model, 2 * len(model.seen)), 1)
    if fitted is None and np.isfinite(model.begin.shed):
        # Roughly first: what is far off then does not weigh so much that the laws of rebound are bent for it.
        rough = _fitted(model, np.hypot(sd, ROUGH_SD_M), np.zeros(BEFORE + EACH * len(model.rails)), most=ROUGHLY)
        fitted = _fitted(model, sd, rough[0]) if rough is not None and _cost(rough) < stuck else None
    good = fitted is not None and _cost(fitted) < stuck
    if fitted is None or good or len(model.seen) < 2:
        return fitted
    found = fitted[0]
    begin, met = model.legs(found)[:2]
    takes_s = float(met.time_s - begin.time_s)
    frame_s = float(np.diff(model.seen.t).min())
    scale = model.begin.velocity_sd_mps if np.isfinite(model.begin.velocity_sd_mps) else VELOCITY_SCALE_MPS
    tried = [fitted]
    for later_s in (-frame_s, frame_s):
        if takes_s + later_s > 0:
            start = found.copy()
            start[3:5] += begin.velocity * (takes_s / (takes_s + later_s) - 1) / scale
            other = _fitted(model, sd, start)
            tried += [] if other is None else [other]
    return min(tried, key=_cost)


def _cost(fitted: tuple[Vector, Array, Vector]) -> float:
    """What a fit left, in squared standard deviations."""
    return float(fitted[2] @ fitted[2])


def sharpened(rough: Rebounds, arrival: Arrival | None) -> Rebounds:
    """The same way with sightings away from the contacts taken at their own standard deviations, and with the line on
    which the ball came, if that is known; what is left of the sightings stays as it was told."""
    model = rough.model
    legs = model.legs(rough.found)
    near = np.min([np.abs(model.seen.t - leg.time_s) for leg in legs[1:]], axis=0) < RAIL_S
    sd = np.linalg.norm([model.seen.sd, np.where(near, RAIL_SD_M, 0.0), _smear_m(legs, model.seen)], axis=0)
    fitted = _fitted(model, sd, rough.found, arrival)
    if fitted is None:
        return rough
    found, spread, left = fitted
    dropped = max(arrival.count - 2, 0) if arrival is not None else 0
    fine = _told(model, found, spread, left, 2 * len(model.seen) - dropped)
    return rough if fine is None else replace(fine, cost=rough.cost, left=rough.left, freedom=rough.freedom)


def _fitted(
    model: RailWay, sd: Vector, start: Vector, arrival: Arrival | None = None, most: int = MOST_EVALUATIONS
) -> tuple[Vector, Array, Vector] | None:
    """Parameters that explain the sightings best, from ``start`` on, their spread, and what is left: of the
    sightings first, two for each, in standard deviations ``sd`` (n,). None when nothing comes near them.

    A fit ends, as near as it came, after ``most`` evaluations beyond the first few.
    """
    seen, begin = model.seen, model.begin
    fixed = np.ones(len(start), dtype=bool)
    # A place and a moment that are both free say the same twice.
    fixed[0] = begin.time_sd_s > 0
    fixed[1:3] = begin.at_sd_m > 0

    def whole(x: Array) -> Array:
        found = np.zeros((*x.shape[:-1], len(fixed)))
        found[..., fixed] = x
        return found

    def left(x: Array) -> Array:
        found = whole(x)
        legs = model.legs(found)
        off = model.places(legs) - seen.xy
        told: list[Vector] = [model.known(found)]
        if arrival is not None:
            ahead = arrival.line.direction
            off[..., : arrival.count, :] = (off[..., : arrival.count, :] @ ahead)[..., None] * ahead
            told.append(_off_line(arrival.line, legs))
        return np.concatenate([(off / sd[:, None]).reshape(*x.shape[:-1], -1), *told], axis=-1)

    steep = np.empty((0, 0))

    def left_and_steep(x: Array) -> Array:
        # The slopes are asked for where the fit goes on from, and cost hardly more than what is left there.
        nonlocal steep
        at, *beside = left(np.vstack([x, x + STEP * np.eye(len(x))]))
        steep = (np.array(beside) - at).T / STEP
        return at

    def slopes(_: Array) -> Array:
        """Slopes at the parameters last tried: it asks for no others."""
        return steep

    fit = least_squares(left_and_steep, start[fixed], jac=slopes, max_nfev=SOON, xtol=1e-7, ftol=1e-7)
    if fit.status == 0:
        if 2 * fit.cost > HOPELESS_NOISE * max(_freedom(model, 2 * len(seen)), 1):
            return None
        fit = least_squares(left_and_steep, fit.x, jac=slopes, max_nfev=most, xtol=1e-7, ftol=1e-7)
    jacobian = np.asarray(fit.jac, float)
    spread = np.zeros((len(fixed), len(jacobian)))
    spread[fixed] = np.linalg.pinv(jacobian, rcond=SINGULAR)
    return whole(fit.x), spread, np.asarray(fit.fun)


def _told(model: RailWay, found: Vector, spread: Array, left: Vector, coordinates: int) -> Rebounds | None:
    """What parameters say that left so much of so many coordinates; None when it makes no sense."""
    cost, freedom = float(left @ left), _freedom(model, coordinates)
    spread = spread * np.sqrt(max(cost / max(freedom, 1), 1.0))
    hits = tuple(_hit(model, found, spread, k) for k in range(len(model.rails)))
    times = [hit.t_s for hit in hits]
    if not np.isfinite(cost) or times != sorted(times):
        return None
    first = model.legs(found)[0]
    begun_sd = _carried(lambda f: _launched(model, f), found, spread)
    return Rebounds(
        hits,
        cost,
        np.hypot(*left[: 2 * len(model.seen)].reshape(-1, 2).T),
        freedom,
        Begin(float(first.time_s) + model.origin_s, first.at_m, first.velocity),
        (float(np.sqrt(begun_sd[0, 0])), float(np.sqrt(begun_sd[1, 1]))),
        model,
        found,
        spread,
    )


def _freedom(model: RailWay, coordinates: int) -> int:
    """How many of so many coordinates there are beyond what is not known of the way beforehand."""
    begin = model.begin
    sds = (begin.time_sd_s, *[begin.at_sd_m] * 2, *[begin.velocity_sd_mps] * 2)
    return coordinates - sum(not np.isfinite(sd) for sd in sds)


def _launched(model: RailWay, found: Array) -> Array:
    first = model.legs(found)[0]
    return np.stack([first.time_s, _speed(first.velocity)], axis=-1)


def _off_line(line: Line, legs: Sequence[Leg]) -> Array:
    """How far from a line a way comes to its first rail: aside at the line's middle, and turned, (..., 2), in standard
    deviations."""
    met = legs[1].at_m
    _, velocity = legs[0].after(legs[1].time_s - legs[0].time_s)
    ahead = line.direction
    aside = np.array([-ahead[1], ahead[0]])
    turn = np.arctan2(velocity @ aside, velocity @ ahead)
    offset = (met - line.through_m) @ aside - turn * ((met - line.through_m) @ ahead)
    return np.stack([offset / line.offset_sd_m, turn / line.bearing_sd_rad], axis=-1)


def _smear_m(legs: Sequence[Leg], seen: Path) -> Vector:
    """What sightings (n,) are off that were exposed while the ball met a rail, metres."""
    off = np.zeros(len(seen))
    for before, leg in pairwise(legs):
        near = np.abs(seen.t - leg.time_s) < SMEARED_S
        speed = float(np.hypot(*before.after(leg.time_s - before.time_s)[1]))
        off[near] = SMEARED_SHARE * speed * SMEARED_S
    return off


def _hit(model: RailWay, found: Vector, spread: Array, k: int) -> RailHit:
    rail = model.rails[k]
    axis, level = model.table.track_coordinate(rail)
    legs = model.legs(found)
    along = _carried(lambda f: model.legs(f)[k + 1].at_m[..., 1 - axis : 2 - axis], found, spread)
    before, after = legs[k], legs[k + 1]
    _, arriving = before.after(after.time_s - before.time_s)
    at_m = after.at_m.copy()
    at_m[axis] = level
    return RailHit(
        rail=rail,
        at_m=at_m,
        at_sd_m=float(np.sqrt(along[0, 0])),
        t_s=float(after.time_s) + model.origin_s,
        speed_in_mps=float(np.hypot(*arriving)),
        speed_out_mps=float(np.hypot(*after.velocity)),
        bearing_in_rad=float(np.arctan2(arriving[1], arriving[0]) % (2 * np.pi)),
        bearing_out_rad=float(np.arctan2(after.velocity[1], after.velocity[0]) % (2 * np.pi)),
    )


def _carried(told: Callable[[Array], Array], found: Vector, spread: Array) -> Array:
    """The covariance of what is told, (k, k), from the spread of what was found; ``told`` takes many sets at once."""
    steps = np.sqrt((spread**2).sum(axis=1)) / 2
    free = steps > 0
    ways = np.diag(steps)[free]
    slopes = (told(found + ways) - told(found - ways)) / (2 * steps[free, None])
    part = slopes.T @ spread[free]
    return np.asarray(part @ part.T)


def _speed(velocity: Array) -> Array:
    return np.asarray(np.hypot(velocity[..., 0], velocity[..., 1]))
