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
from vision.tracks import Sighting

GRAVITY_MPS2 = 9.81
# The most that cloth slows a ball: the upper end of the published range of sliding friction, 0.4 g.
MOST_DECELERATION_MPS2 = 0.4 * GRAVITY_MPS2
# Usual sliding deceleration and its spread from cloth to cloth (0.15 to 0.4 g published, 0.2 typical).
SLIDING_MPS2, SLIDING_SD_MPS2 = 0.2 * GRAVITY_MPS2, 0.06 * GRAVITY_MPS2
# Velocities are compared over at least this long on either side.
KINK_BASE_S = 0.03
# Changes of velocity below this are not looked at: a ball that touches something so softly has all but stopped.
LEAST_KINK_MPS = 0.10
# After a rail the ball slides across its direction for about this long.
CURVED_S = 0.35
# Speeds and tangents are read from this much of the leg.
TANGENT_S = 0.22
# A sighting beside a hand or a stick is trusted this much less.
CROWD_FACTOR = 4.0


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

    def miss(self, target_m: Vector) -> tuple[float, float]:
        """Perpendicular offset of the line from a point, positive when it passes to its left, and the sd (metres)."""
        ahead = target_m - self.through_m
        d = self.direction
        left = -(ahead @ np.array([-d[1], d[0]]))
        return float(left), float(np.hypot(self.offset_sd_m, (ahead @ d) * self.bearing_sd_rad))

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
        sd = [s.sd_m * (CROWD_FACTOR if s.in_crowd else 1.0) for s in sightings]
        return cls(
            np.array([s.time_s for s in sightings]),
            np.array([s.at_m for s in sightings]).reshape(-1, 2),
            np.array(sd),
        )


@dataclass(frozen=True)
class Motion:
    """Place (2,), velocity (2,) and the velocity's standard deviation at one moment."""

    at_m: Vector
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
    n = len(path)
    excess = np.zeros(n)
    before = np.zeros(n)
    after = np.zeros(n)
    for i in range(1, n - 1):
        j = _step(path.t, i, -1)
        k = _step(path.t, i, +1)
        if j < 0 or k >= n:
            continue
        to, from_ = path.t[i] - path.t[j], path.t[k] - path.t[i]
        change = (path.xy[k] - path.xy[i]) / from_ - (path.xy[i] - path.xy[j]) / to
        noise = np.hypot(path.sd[i], path.sd[j]) / to + np.hypot(path.sd[i], path.sd[k]) / from_
        allowed = LEAST_KINK_MPS + MOST_DECELERATION_MPS2 * (to + from_) / 2 * 0.7 + 4 * noise
        excess[i] = np.hypot(*change) / allowed
        before[i] = np.hypot(*(path.xy[i] - path.xy[j])) / to
        after[i] = np.hypot(*(path.xy[k] - path.xy[i])) / from_
    found: list[int] = []
    i = 1
    while i < n - 1:
        if excess[i] <= 1:
            i += 1
            continue
        end = i
        while end + 1 < n - 1 and excess[end + 1] > 1 and path.t[end + 1] - path.t[i] < 0.2:
            end += 1
        found.append(_last_before(path, i, end))
        i = end + 1
    return found


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

    The scatter found is used when it exceeds what the sightings' own standard deviations say. NaN for fewer than two.
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
    freedom = len(path) - 2
    inflation = np.sqrt(max(float((w * across**2).sum()) / freedom, 1.0)) if freedom > 2 else 1.0
    return Line(
        middle,
        float(np.arctan2(direction[1], direction[0]) % (2 * np.pi)),
        float(inflation / np.sqrt(max(values[1], 1e-12))),
        float(inflation / np.sqrt(w.sum())),
    )


def motion_at(leg: Path, time_s: float, *, window_s: float = TANGENT_S) -> Motion:
    """Place and velocity at a moment at (or just beyond) either end of a leg, from the sightings near that end.

    A quadratic in time, by weighted least squares, its curvature held near zero by what friction can do.
    """
    distance = np.abs(leg.t - time_s)
    nearest = float(distance.min()) if len(leg) else 0.0
    part = leg.part(distance <= nearest + window_s)
    if len(part) < 2:
        return Motion(np.full(2, np.nan), np.full(2, np.nan), float("nan"))
    tau = part.t - time_s
    design = np.column_stack([np.ones_like(tau), tau, tau**2 / 2])
    w = 1 / part.sd**2
    prior = np.diag([0.0, 0.0, 1 / SLIDING_MPS2**2])
    normal = (design * w[:, None]).T @ design + prior
    covariance = np.linalg.inv(normal)
    solution = covariance @ (design * w[:, None]).T @ part.xy
    return Motion(solution[0], solution[1], float(np.sqrt(covariance[1, 1])))


@dataclass(frozen=True)
class Launch:
    """How a ball set off: when, and how fast (metres per second), with standard deviations."""

    time_s: float
    time_sd_s: float
    speed_mps: float
    speed_sd_mps: float


def fit_launch(start_m: Vector, leg: Path, *, window_s: float = 0.25) -> Launch:
    """When and how fast a ball left its resting place, from its distance from there over the first moments.

    The distance is a quadratic in time whose curvature is half the sliding deceleration, known beforehand to
    ``SLIDING_SD_MPS2``: (5/7 of the speed is left when rolling starts, after 2 v / (7 mu g): Coriolis; so the window
    stays within the sliding for all but soft strokes).
    """
    first = leg.part(leg.t <= leg.t[0] + window_s)
    distance = np.hypot(*(first.xy - start_m).T)
    if len(first) < 2:
        return Launch(float("nan"), float("nan"), float("nan"), float("nan"))
    origin = first.t[0]
    tau = first.t - origin
    design = np.column_stack([np.ones_like(tau), tau, -(tau**2) / 2])
    w = 1 / first.sd**2
    prior = np.diag([0.0, 0.0, 1 / SLIDING_SD_MPS2**2])
    normal = (design * w[:, None]).T @ design + prior
    covariance = np.linalg.inv(normal)
    c0, c1, c2 = covariance @ ((design * w[:, None]).T @ distance + prior @ [0, 0, SLIDING_MPS2])
    # The root of c0 + c1 tau - c2 tau^2 / 2 before the first sighting, and the speed there.
    root = c1**2 + 2 * c2 * c0
    if root <= 0 or c1 <= 0:
        return Launch(float("nan"), float("nan"), float("nan"), float("nan"))
    speed = float(np.sqrt(root))
    tau0 = -2 * c0 / (c1 + speed)
    slope = np.array([-1.0, -tau0, tau0**2 / 2]) / speed
    change = np.array([c2, c1, c0]) / speed
    return Launch(
        float(origin + tau0),
        float(np.sqrt(slope @ covariance @ slope)),
        speed,
        float(np.sqrt(change @ covariance @ change)),
    )


def late_part(leg: Path, *, least: int = 4) -> Path:
    """The leg without its curved start; all of it when too little would be left."""
    straight = leg.part(leg.t >= leg.t[0] + CURVED_S)
    if len(straight) >= least and np.hypot(*(straight.xy[-1] - straight.xy[0])) > 0.1:
        return straight
    half = leg.part(leg.t >= (leg.t[0] + leg.t[-1]) / 2)
    return half if len(half) >= least else leg


def _step(t: Vector, i: int, way: int) -> int:
    """Index of the nearest sighting at least ``KINK_BASE_S`` away, or the one next to it across a gap."""
    k = i + way
    while 0 <= k < len(t) and abs(t[k] - t[i]) < KINK_BASE_S:
        k += way
    return k


def _last_before(path: Path, first: int, last: int) -> int:
    """Of the sightings ``first`` to ``last`` round a kink, the last one that still belongs to the leg before.

    Each sighting in doubt goes with the leg whose straight continuation it lies closer to.
    """
    before = path.part(slice(max(first - 5, 0), first))
    after = path.part(slice(last + 1, last + 6))
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
