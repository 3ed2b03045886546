"""How the made-up balls move: straight legs that slide and then roll, cushions at the track line, collisions, pockets.

Sliding and rolling: Coriolis 1835, as in any textbook (a ball struck without spin rolls at 5/7 of its speed); rolling
to rest with a constant deceleration. Ball against ball: equal masses, no friction, restitution along the line of
centres (D. G. Alciatore, Colorado State University, billiards.colostate.edu, the 90-degree rule). Kept simple on
purpose: every leg is straight, a cushion acts in an instant, jaws do not exist (a ball that crosses the track line
where no rubber stands falls into that pocket).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from math import atan2, cos, hypot, inf, sin, sqrt

import numpy as np

from calibration.table import POCKETS, RAILS, Pocket, Rail, Table
from calibration.unfold import unfold
from tests.rendering.scene import CORNER_HOLE_M, SIDE_HOLE_M, Array

GRAVITY_MPS2 = 9.81
PAIR_STEP_S = 0.0005
Leave = Callable[..., None]  # (ball, place, bearing, speed, settle, falls): start a new leg


@dataclass(frozen=True)
class Physics:
    """Cloth, cushions and balls. ``settle`` and ``rail_settle``: share of a leg's first speed at which sliding ends.

    The cushion's two numbers are apparent ones, for the ball once it rolls again: they lie in the band that the model
    of Mathavan, Jackson and Parkin (Proc. IMechE C 224(9), 2010) gives for a rolling ball at 30 to 60 degrees.
    """

    slide: float = 0.20
    roll: float = 0.010
    settle: float = 5 / 7
    rail_restitution: float = 0.62
    rail_tangential: float = 0.73
    rail_settle: float = 1.0
    ball_restitution: float = 0.95


# A mirror for a cushion: angle and speed are kept.
IDEAL = Physics(rail_restitution=1.0, rail_tangential=1.0)


@dataclass(frozen=True)
class Leg:
    """A straight stretch of a ball's path from ``t_s`` on; it is over at ``end_s`` at the latest."""

    ball: str
    t_s: float
    start_m: Array
    bearing_rad: float
    speed_mps: float
    settled_mps: float
    physics: Physics
    end_s: float = inf
    falls: bool = False

    @property
    def direction(self) -> Array:
        return np.array([cos(self.bearing_rad), sin(self.bearing_rad)])

    @property
    def _slide(self) -> tuple[float, float]:
        """Time and distance until the ball rolls."""
        braking = self.physics.slide * GRAVITY_MPS2
        return (self.speed_mps - self.settled_mps) / braking, (self.speed_mps**2 - self.settled_mps**2) / (2 * braking)

    @property
    def stop_s(self) -> float:
        return self.t_s + self._slide[0] + self.settled_mps / (self.physics.roll * GRAVITY_MPS2)

    def distance_m(self, t_s: float) -> float:
        t = min(t_s, self.stop_s, self.end_s) - self.t_s
        slide_s, slide_m = self._slide
        if t <= slide_s:
            return self.speed_mps * t - self.physics.slide * GRAVITY_MPS2 * t * t / 2
        t -= slide_s
        return slide_m + self.settled_mps * t - self.physics.roll * GRAVITY_MPS2 * t * t / 2

    def speed_at(self, t_s: float) -> float:
        t = t_s - self.t_s
        slide_s = self._slide[0]
        if t <= slide_s:
            return self.speed_mps - self.physics.slide * GRAVITY_MPS2 * t
        return max(self.settled_mps - self.physics.roll * GRAVITY_MPS2 * (t - slide_s), 0.0)

    def where(self, t_s: float) -> Array:
        return np.asarray(self.start_m + self.direction * self.distance_m(t_s), dtype=float)

    def time_at(self, distance_m: float) -> float:
        """When the ball has run a distance; infinite if it stops before."""
        slide_s, slide_m = self._slide
        speed, braking, extra = self.speed_mps, self.physics.slide * GRAVITY_MPS2, 0.0
        if distance_m > slide_m:
            speed, braking, extra = self.settled_mps, self.physics.roll * GRAVITY_MPS2, slide_s
            distance_m -= slide_m
        root = speed * speed - 2 * braking * distance_m
        return self.t_s + extra + 2 * distance_m / (speed + sqrt(root)) if root >= 0 and speed > 0 else inf


@dataclass(frozen=True)
class RailTruth:
    ball: str
    rail: Rail
    at_m: Array
    t_s: float
    speed_in_mps: float
    speed_out_mps: float
    bearing_in_rad: float
    bearing_out_rad: float


@dataclass(frozen=True)
class BallTruth:
    """Two balls meet; ``at_m`` are both centres, (2, 2)."""

    balls: tuple[str, str]
    at_m: Array
    t_s: float


@dataclass(frozen=True)
class PocketTruth:
    ball: str
    pocket: Pocket
    t_s: float


def miss_m(rails_met: Sequence[RailTruth], ball: str, rails: Sequence[Rail], target_m: Array) -> float:
    """Offset of the leg after the rails named, positive when it passes left of the target; NaN without that leg."""
    own = [c for c in rails_met if c.ball == ball]
    if [c.rail for c in own[: len(rails)]] != list(rails):
        return float("nan")
    last = own[len(rails) - 1]
    left = np.array([-sin(last.bearing_out_rad), cos(last.bearing_out_rad)])
    return float((last.at_m - target_m) @ left)


@dataclass
class Motion:
    """What happened after a strike: legs of each ball in order, contacts, collisions, balls pocketed."""

    starts_m: dict[str, Array]
    legs: list[Leg] = field(default_factory=list)
    rails: list[RailTruth] = field(default_factory=list)
    balls: list[BallTruth] = field(default_factory=list)
    pockets: list[PocketTruth] = field(default_factory=list)

    def where(self, ball: str, t_s: float) -> Array | None:
        """Centre (2,) of a ball, None once it is pocketed."""
        if any(p.ball == ball and p.t_s <= t_s for p in self.pockets):
            return None
        own = [leg for leg in self.legs if leg.ball == ball and leg.t_s <= t_s]
        return own[-1].where(t_s) if own else self.starts_m[ball]

    def moving(self, ball: str, t_s: float) -> bool:
        own = [leg for leg in self.legs if leg.ball == ball and leg.t_s <= t_s]
        return bool(own) and t_s < min(own[-1].stop_s, own[-1].end_s)


def simulate(
    starts_m: Mapping[str, tuple[float, float]],
    struck: str,
    bearing_rad: float,
    speed_mps: float,
    table: Table,
    physics: Physics,
    *,
    t_s: float = 0.0,
    lasts_s: float = 12.0,
) -> Motion:
    """Strike one ball at ``t_s`` and follow all of them, contact by contact, for ``lasts_s`` at most."""
    motion = Motion({name: np.array(place, dtype=float) for name, place in starts_m.items()})
    now, until = t_s, t_s + lasts_s
    running: dict[str, Leg] = {}
    gone: set[str] = set()

    def leave(ball: str, place: Array, bearing: float, speed: float, settle: float, falls: bool = False) -> None:
        if ball in running:
            done = running.pop(ball)
            motion.legs[motion.legs.index(done)] = _ended(done, now)
        leg = Leg(ball, now, place, bearing, speed, settle * speed, physics, falls=falls)
        motion.legs.append(leg)
        running[ball] = leg

    leave(struck, motion.starts_m[struck], bearing_rad, speed_mps, physics.settle)
    while running:
        events: list[tuple[float, str, str]] = []
        for name, leg in running.items():
            if leg.falls:
                events.append((leg.time_at(_fall_m(leg, table)), "pocket", name))
            else:
                when, rail = _next_rail(leg, now, table)
                events += [(when, rail, name), (leg.stop_s, "stop", name)]
        when, what, name = min(events)
        free = [n for n in motion.starts_m if n not in gone and not (n in running and running[n].falls)]
        for pair in combinations(free, 2):
            meeting = _meeting_s(pair, running, motion, now, min(when, until), table)
            if meeting < when:
                when, what, name = meeting, "balls", "|".join(pair)
        if when > until:
            break
        now = when
        if what == "stop":
            running.pop(name)
        elif what == "pocket":
            motion.pockets.append(PocketTruth(name, _nearest_pocket(running.pop(name).where(now), table), now))
            gone.add(name)
        elif what == "balls":
            _collide(name.split("|"), running, motion, now, physics, leave)
        else:
            _bounce(running[name], what, motion, now, table, physics, leave)  # type: ignore[arg-type]
    return motion


def aim_rad(
    start_m: tuple[float, float],
    target_m: tuple[float, float],
    rails: Sequence[Rail],
    speed_mps: float,
    table: Table,
    physics: Physics,
) -> float:
    """The bearing that brings a lone cue ball over the rails through the target, searched for round the mirror's.

    Raises ValueError when the ball does not get there: a pocket in the way, other rails first, too slow a stroke.
    """

    def off(bearing: float) -> float:
        motion = simulate({"cue": start_m}, "cue", bearing, speed_mps, table, physics)
        return miss_m(motion.rails, "cue", rails, np.array(target_m))

    mirror = unfold(np.array(start_m), np.array(target_m), rails, table).bearing_rad
    tried = mirror + np.radians(np.arange(-8, 8.01, 0.25))
    misses = np.array([off(bearing) for bearing in tried])
    turns = np.flatnonzero(misses[:-1] * misses[1:] <= 0)
    if not len(turns):
        raise ValueError(f"no path from {start_m} over {', '.join(rails)} to {target_m}")
    nearest = turns[np.argmin(np.abs(tried[turns] - mirror))]
    low, high = tried[nearest], tried[nearest + 1]
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if off(middle) * misses[nearest] > 0 else (low, middle)
    return float(high)


def _ended(leg: Leg, t_s: float) -> Leg:
    return replace(leg, end_s=t_s)


def _next_rail(leg: Leg, now: float, table: Table) -> tuple[float, Rail]:
    """The next track line that a leg crosses outwards."""
    best: tuple[float, Rail] = (inf, "head")
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        outwards = leg.direction[axis] * (1 if rail in ("foot", "left") else -1)
        if outwards > 1e-12:
            when = leg.time_at(max(float((level - leg.start_m[axis]) / leg.direction[axis]), 0.0))
            if now - 1e-12 <= when < best[0]:
                best = (when, rail)
    return best


def _bounce(leg: Leg, rail: Rail, motion: Motion, now: float, table: Table, physics: Physics, leave: Leave) -> None:
    axis, level = table.track_coordinate(rail)
    place = leg.where(now)
    place[axis] = level
    speed = leg.speed_at(now)
    along, length = place[1 - axis], table.length_m if axis == 1 else table.width_m
    corner = table.corner_mouth_m / sqrt(2)
    if not corner <= along <= length - corner or (axis == 1 and abs(along - length / 2) < table.side_mouth_m / 2):
        leave(leg.ball, place, leg.bearing_rad, max(speed, 0.2), 1.0, falls=True)
        return
    velocity = speed * leg.direction
    velocity[axis] *= -physics.rail_restitution
    velocity[1 - axis] *= physics.rail_tangential
    out, out_speed = atan2(velocity[1], velocity[0]), float(np.hypot(*velocity))
    motion.rails.append(RailTruth(leg.ball, rail, place, now, speed, out_speed, leg.bearing_rad, out))
    leave(leg.ball, place, out, out_speed, physics.rail_settle)


def _collide(
    pair: list[str], running: dict[str, Leg], motion: Motion, now: float, physics: Physics, leave: Leave
) -> None:
    places = [np.asarray(motion.where(name, now)) for name in pair]
    velocities = [running[n].speed_at(now) * running[n].direction if n in running else np.zeros(2) for n in pair]
    line = (places[1] - places[0]) / np.linalg.norm(places[1] - places[0])
    push = (1 + physics.ball_restitution) / 2 * float((velocities[0] - velocities[1]) @ line)
    names = tuple(pair) if pair[0] in running else tuple(reversed(pair))
    motion.balls.append(BallTruth(names, np.array(places if names == tuple(pair) else places[::-1]), now))  # type: ignore[arg-type]
    for name, place, velocity, sign in zip(pair, places, velocities, (-1, 1), strict=True):
        after = velocity + sign * push * line
        leave(name, place, atan2(after[1], after[0]), float(np.hypot(*after)), physics.settle)


def _meeting_s(
    pair: tuple[str, str], running: dict[str, Leg], motion: Motion, now: float, until: float, table: Table
) -> float:
    """When two balls touch while they approach; infinite if they do not before ``until``."""
    if not any(name in running for name in pair) or until <= now:
        return inf

    def gap(t: float) -> float:
        a, b = (running[n].where(t) if n in running else np.asarray(motion.where(n, t)) for n in pair)
        return hypot(a[0] - b[0], a[1] - b[1]) - 2 * table.ball_radius_m

    # The gap cannot close faster than the two speeds: leap by that, step finely when near.
    t, before = now, gap(now)
    speed = sum(running[n].speed_at(now) for n in pair if n in running)
    while t < until:
        ahead = min(t + max(PAIR_STEP_S, 0.9 * before / max(speed, 1e-6)), until)
        after = gap(ahead)
        if after < 0 and after < before:
            low, high = t, ahead
            if before <= 0:
                return t
            for _ in range(50):
                middle = (low + high) / 2
                low, high = (middle, high) if gap(middle) > 0 else (low, middle)
            return high
        t, before = ahead, after
    return inf


def _nearest_pocket(place: Array, table: Table) -> Pocket:
    return min(POCKETS, key=lambda p: float(np.hypot(*(table.mouth_m(p) - place))))


def _fall_m(leg: Leg, table: Table) -> float:
    """How far a falling ball still runs until it is out of sight."""
    pocket = _nearest_pocket(leg.start_m, table)
    depth = SIDE_HOLE_M if pocket.startswith("side") else CORNER_HOLE_M
    return float(0.5 * depth[1] + (depth[0] if pocket.startswith("side") else 0.02))
