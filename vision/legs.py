"""The path of a ball cut into legs, and each leg fitted: its line, its tangents, its speed.

A ball on cloth changes its velocity by no more than sliding friction allows (0.2 g or so: references of ball physics
give 0.15 to 0.4 g); where it changes faster, it met something. Between two such kinks runs a leg: straight, but for a
curve at its start after a rail, while the ball still slides across its own direction.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.serial import excess
from vision.sightings import Sighting

GRAVITY_MPS2 = 9.81
# The most that cloth slows a ball: the upper end of the published range of sliding friction, 0.4 g.
MOST_DECELERATION_MPS2 = 0.4 * GRAVITY_MPS2
# Usual sliding deceleration (0.15 to 0.4 g are published, 0.2 is typical).
SLIDING_MPS2 = 0.2 * GRAVITY_MPS2
# Velocities are compared over at least this long on either side.
KINK_BASE_S = 0.03
# Changes of velocity below this are not looked at: a ball that touches something so softly has all but stopped.
LEAST_KINK_MPS = 0.10
# Two things were met where the change of velocity is less than this share of both its peaks in between.
DIP = 0.5
# So many sightings of a leg tell how it begins and ends.
BESIDE = 5
# Speeds and tangents are read from this much of the leg.
TANGENT_S = 0.22
# A slide is fitted to this much of a leg, its end tried in this many steps.
SLIDE_FIT_S, SLIDE_STEPS = 0.6, 25
# A sighting this far, and this many steps of its neighbours, off the middle between them is of something else.
STRAY_M, STRAY_STEPS = 0.02, 1.0
# A sighting beside a hand or a stick is trusted this much less.
CROWD_FACTOR = 4.0


def turn_rad(from_rad: float, to_rad: float) -> float:
    """Angle from one bearing to another, left positive, in [-pi, pi)."""
    return float((to_rad - from_rad + np.pi) % (2 * np.pi) - np.pi)


@dataclass(frozen=True)
class Line:
    """A straight stretch of path. ``through_m`` (2,) is the weighted middle of its sightings.

    ``bearing_sd_rad`` and ``offset_sd_m`` (sideways, at the middle) are independent of each other.
    """

    through_m: Vector
    bearing_rad: float
    bearing_sd_rad: float
    offset_sd_m: float

    @property
    def direction(self) -> Vector:
        return np.array([np.cos(self.bearing_rad), np.sin(self.bearing_rad)])

    @property
    def left(self) -> Vector:
        """The unit vector to the left of its direction."""
        return np.array([-np.sin(self.bearing_rad), np.cos(self.bearing_rad)])

    def miss(self, target_m: Vector) -> tuple[float, float]:
        """Perpendicular offset of the line from a point, positive when it passes to its left, and the sd (metres)."""
        ahead = target_m - self.through_m
        left = -float(ahead @ self.left)
        return left, float(np.hypot(self.offset_sd_m, (ahead @ self.direction) * self.bearing_sd_rad))

    def at_level(self, axis: int, level: float) -> tuple[Vector, float]:
        """Where the line reaches a coordinate, (2,), and the standard deviation along that level (metres)."""
        d = self.direction
        if abs(d[axis]) < 1e-6:
            return np.full(2, np.nan), float("nan")
        reach = (level - self.through_m[axis]) / d[axis]
        sideways = float(np.hypot(self.offset_sd_m, reach * self.bearing_sd_rad))
        return self.through_m + reach * d, sideways / abs(float(d[axis]))


@dataclass(frozen=True)
class Path:
    """Sightings of one ball as arrays: times (n,), places (n, 2), standard deviations (n,)."""

    t: Vector
    xy: NDArray[np.float64]
    sd: Vector

    def __len__(self) -> int:
        return len(self.t)

    def part(self, keep: NDArray[np.bool_] | slice) -> "Path":
        return Path(self.t[keep], self.xy[keep], self.sd[keep])

    @classmethod
    def of(cls, sightings: Sequence[Sighting]) -> "Path":
        """All sightings but stray ones: those far off a ball that was seen close together just before and after."""
        path = cls(
            np.array([s.time_s for s in sightings]),
            np.array([s.at_m for s in sightings]).reshape(-1, 2),
            np.array([s.sd_m * (CROWD_FACTOR if s.in_crowd else 1.0) for s in sightings]),
        )
        if len(path) < 3:
            return path
        before, here, after = path.xy[:-2], path.xy[1:-1], path.xy[2:]
        off = np.hypot(*(here - (before + after) / 2).T)
        # A ball that turns back at a rail is seen close together too, but its steps before and after that are long.
        step = np.hypot(*np.diff(path.xy, axis=0).T)
        long = np.maximum(np.append(0.0, step[:-2]), np.append(step[2:], 0.0))
        stray = off > STRAY_M + STRAY_STEPS * np.maximum(np.hypot(*(after - before).T), long)
        return path.part(np.concatenate([[True], ~stray, [True]]))


@dataclass(frozen=True)
class Motion:
    """Place (2,) and velocity (2,) at one moment, with the standard deviations of either coordinate."""

    at_m: Vector
    at_sd_m: float
    velocity_mps: Vector
    velocity_sd_mps: float

    @property
    def speed_mps(self) -> float:
        return float(np.hypot(*self.velocity_mps))

    @property
    def bearing_rad(self) -> float:
        return float(np.arctan2(self.velocity_mps[1], self.velocity_mps[0]) % (2 * np.pi))


def kinks(path: Path) -> list[int]:
    """Indices after which the ball met something: the leg before ends with this sighting.

    The change of velocity between the stretches before and after each sighting is compared with what friction and the
    noise of the sightings can do.
    """
    n, t = len(path), path.t
    excess = np.zeros(n)
    # The nearest sightings that are far enough away in time, or next to this one across a gap.
    j, k = np.searchsorted(t, t - KINK_BASE_S, "right") - 1, np.searchsorted(t, t + KINK_BASE_S, "left")
    i = np.flatnonzero((j >= 0) & (k < n))
    j, k = j[i], k[i]
    to, from_ = t[i] - t[j], t[k] - t[i]
    change = (path.xy[k] - path.xy[i]) / from_[:, None] - (path.xy[i] - path.xy[j]) / to[:, None]
    noise = np.hypot(path.sd[i], path.sd[j]) / to + np.hypot(path.sd[i], path.sd[k]) / from_
    allowed = LEAST_KINK_MPS + MOST_DECELERATION_MPS2 * (to + from_) / 2 * 0.7 + 4 * noise
    excess[i] = np.hypot(*change.T) / allowed
    spans: list[tuple[int, int]] = []
    first = 1
    while first < n - 1:
        if excess[first] <= 1:
            first += 1
            continue
        last = first
        while last + 1 < n - 1 and excess[last + 1] > 1 and t[last + 1] - t[first] < 0.2:
            last += 1
        spans += _apart(excess, first, last)
        first = last + 1
    found: list[int] = []
    for m, (first, last) in enumerate(spans):
        close = [o for o in (m - 1, m + 1) if 0 <= o < len(spans) and _gap(spans[m], spans[o]) <= BESIDE]
        if close:
            first, last = _near_peak(excess, first, last)
        until = n
        if m + 1 in close:
            # The leg after is short: what was met next tells nothing of it, unless nothing else does.
            next_first = _near_peak(excess, *spans[m + 1])[0]
            until = next_first if next_first > last + 2 else n
        found.append(_last_before(path, found[-1] + 1 if found else 0, first, last, until))
    return found


def _apart(excess: Vector, first: int, last: int) -> list[tuple[int, int]]:
    """The spans round each thing met between two sightings, where contacts so close to each other run into one."""
    cuts = range(first + 1, last)
    lower = {m: min(float(excess[first:m].max()), float(excess[m + 1 : last + 1].max())) for m in cuts}
    dip = min(cuts, key=lambda m: excess[m] / lower[m], default=first)
    if dip == first or excess[dip] > DIP * lower[dip]:
        return [(first, last)]
    return [*_apart(excess, first, dip), *_apart(excess, dip + 1, last)]


def _gap(one: tuple[int, int], other: tuple[int, int]) -> int:
    """How many sightings one span is from another, before or after it."""
    return max(other[0] - one[1], one[0] - other[1])


def _near_peak(excess: Vector, first: int, last: int) -> tuple[int, int]:
    """That part of a span in which the change of velocity is more than a share of its peak."""
    near = np.flatnonzero(excess[first : last + 1] > DIP * excess[first : last + 1].max())
    return first + int(near[0]), first + int(near[-1])


def legs(path: Path) -> list[Path]:
    """The stretches between kinks, each with its own sightings only."""
    ends = [*kinks(path), len(path) - 1]
    out, first = [], 0
    for end in ends:
        if end >= first:
            out.append(path.part(slice(first, end + 1)))
        first = end + 1
    return [leg for leg in out if len(leg)]


def fit_line(path: Path) -> Line:
    """Straight line through sightings by total least squares (first principal axis), forward in time.

    How the sightings scatter is weighed against what they state themselves; what neighbours have in common counts too.
    NaN for fewer than two.
    """
    if len(path) < 2:
        through = path.xy[0] if len(path) else np.full(2, np.nan)
        return Line(through, float("nan"), float("nan"), float("nan"))
    w = 1 / path.sd**2
    middle = (path.xy * w[:, None]).sum(axis=0) / w.sum()
    offset = path.xy - middle
    moment = (offset * w[:, None]).T @ offset
    values, vectors = np.linalg.eigh(moment)
    direction = vectors[:, 1]
    if direction @ (path.xy[-1] - path.xy[0]) < 0:
        direction = -direction
    across = offset @ np.array([-direction[1], direction[0]])
    inflation = np.sqrt(excess(across / path.sd, len(path) - 2))
    return Line(
        middle,
        float(np.arctan2(direction[1], direction[0]) % (2 * np.pi)),
        float(inflation / np.sqrt(max(values[1], 1e-12))),
        float(inflation / np.sqrt(w.sum())),
    )


def joined(paths: Sequence[Path]) -> Path:
    """One path of several that follow on one another."""
    return Path(
        np.concatenate([path.t for path in paths]),
        np.vstack([path.xy for path in paths]),
        np.concatenate([path.sd for path in paths]),
    )


def off_rolling(path: Path) -> list[Vector]:
    """How far sightings are off a ball that rolls straight, evenly slowed: along and across, (n,) each, in units of
    their standard deviations. Nothing for fewer than four, which such a ball could follow whatever they are."""
    if len(path) < 4:
        return []
    ahead = fit_line(path).direction
    offset, tau = path.xy - path.xy.mean(axis=0), path.t - path.t.mean()
    out = []
    for side, powers in ((ahead, 3), (np.array([-ahead[1], ahead[0]]), 2)):
        design = np.vander(tau, powers) / path.sd[:, None]
        found = offset @ side / path.sd
        out.append(found - design @ np.linalg.lstsq(design, found, rcond=None)[0])
    return out


def motion_at(leg: Path, time_s: float, *, window_s: float = TANGENT_S) -> Motion:
    """Place and velocity at a moment at (or just beyond) either end of a leg, from the sightings near that end.

    A quadratic in time, by weighted least squares, its curvature held near zero by what friction can do. Of a sighting
    that stands alone there, after a while out of sight, the next one tells, as surely as it can. NaN for a leg of one.
    """
    distance = np.abs(leg.t - time_s)
    nearest = float(distance.min()) if len(leg) else 0.0
    part = leg.part(distance <= nearest + window_s)
    if len(part) < 2 <= len(leg):
        part = leg.part(np.sort(np.argsort(distance)[:2]))
    if len(part) < 2:
        return Motion(np.full(2, np.nan), float("nan"), np.full(2, np.nan), float("nan"))
    tau = part.t - time_s
    design = np.column_stack([np.ones_like(tau), tau, tau**2 / 2])
    w = 1 / part.sd**2
    prior = np.diag([0.0, 0.0, 1 / SLIDING_MPS2**2])
    normal = (design * w[:, None]).T @ design + prior
    covariance = np.linalg.inv(normal)
    solution = covariance @ (design * w[:, None]).T @ part.xy
    return Motion(solution[0], float(np.sqrt(covariance[0, 0])), solution[1], float(np.sqrt(covariance[1, 1])))


def sliding_motion(leg: Path, time_s: float) -> Motion:
    """Place and velocity at a moment near either end of a leg that begins with a slide, from ``SLIDE_FIT_S`` of it.

    After a rail a ball slides under a friction of constant size and direction (Coriolis 1835), so that its path is a
    parabola, then rolls straight. When it begins to roll is tried in steps; the rest of the model is linear. The
    acceleration is held to what cloth can do.
    """
    near_end = time_s > (leg.t[0] + leg.t[-1]) / 2
    part = leg.part(leg.t >= leg.t[-1] - SLIDE_FIT_S if near_end else leg.t <= leg.t[0] + SLIDE_FIT_S)
    if len(part) < 4:
        return motion_at(leg, time_s)
    origin = float(part.t[0])
    tau, at = part.t - origin, time_s - origin
    w = 1 / part.sd[:, None] ** 2
    prior = np.diag([0.0, 0.0, 1 / SLIDING_MPS2**2])
    # All steps at once: this is asked for every leg that may begin at a rail, several times.
    slides_s = np.linspace(0.0, max(float(tau[-1]), 0.05), SLIDE_STEPS)
    designs = _slide_designs(tau, slides_s)
    weighted = (designs * w).transpose(0, 2, 1)
    covariances = np.linalg.inv(weighted @ designs + prior)
    solutions = covariances @ (weighted @ part.xy)
    costs = (w * (part.xy - designs @ solutions) ** 2).sum(axis=(1, 2))
    best = int((costs + (solutions[:, 2] ** 2).sum(axis=1) / SLIDING_MPS2**2).argmin())
    slide_s, covariance, solution = float(slides_s[best]), covariances[best], solutions[best]
    place = _slide_designs(np.array([at]), slides_s[best : best + 1])[0, 0]
    speed = np.array([0.0, 1.0, min(max(at, 0.0), slide_s) if at > 0 else at])
    return Motion(
        place @ solution,
        float(np.sqrt(place @ covariance @ place)),
        speed @ solution,
        float(np.sqrt(speed @ covariance @ speed)),
    )


def _slide_designs(tau: Vector, slides_s: Vector) -> NDArray[np.float64]:
    """Columns for place, velocity and acceleration, (slides, n, 3), of slides that end so long after the start."""
    ends = slides_s[:, None]
    slid, rolled = np.minimum(tau, ends), np.maximum(tau - ends, 0.0)
    designs = np.ones((len(slides_s), len(tau), 3))
    designs[..., 1], designs[..., 2] = tau, slid**2 / 2 + ends * rolled
    return designs


def _last_before(path: Path, since: int, first: int, last: int, until: int) -> int:
    """Of the sightings ``first`` to ``last`` round a kink, the last one that still belongs to the leg before.

    Each sighting in doubt goes with the leg whose straight continuation it lies closer to. The leg before begins with
    the sighting ``since``, the leg after ends before the sighting ``until``.
    """
    before = path.part(slice(max(first - BESIDE, since), first))
    after = path.part(slice(last + 1, min(last + 1 + BESIDE, until)))
    if len(before) < 2 or len(after) < 2:
        return last if len(after) < 2 else first
    forward = motion_at(before, float(before.t[-1]))
    backward = motion_at(after, float(after.t[0]))
    for i in range(first, last + 1):
        ahead = forward.at_m + forward.velocity_mps * (path.t[i] - before.t[-1])
        behind = backward.at_m + backward.velocity_mps * (path.t[i] - after.t[0])
        if np.hypot(*(path.xy[i] - behind)) < np.hypot(*(path.xy[i] - ahead)):
            return i - 1
    return last
