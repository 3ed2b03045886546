"""A strike and all that follows: contact by contact, until every ball lies still or has dropped.

Ball against ball: equal masses, no friction, restitution along the line of centres, spins kept (D. G. Alciatore,
Colorado State University, billiards.colostate.edu, the 90- and 30-degree rules). Jaws do not exist: a ball that crosses
the track line where no rubber stands falls into that pocket.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from math import cos, hypot, inf, sin, sqrt

import numpy as np

from calibration.table import POCKETS, RAILS, Pocket, Rail, Table
from calibration.unfold import unfold
from tests.rendering.motion import BallTruth, Leg, Motion, Physics, PocketTruth, RailTruth, heading_rad
from tests.rendering.scene import CORNER_HOLE_M, SIDE_HOLE_M, Array

PAIR_STEP_S = 0.0005
SLOWEST_FALL_MPS = 0.25


def simulate(
    starts_m: Mapping[str, tuple[float, float]],
    struck: str,
    bearing_rad: float,
    speed_mps: float,
    table: Table,
    physics: Physics,
    *,
    follow: float = 0.0,
    t_s: float = 0.0,
    lasts_s: float = 12.0,
) -> Motion:
    """Strike one ball at ``t_s`` and follow all of them for ``lasts_s`` at most.

    ``follow`` is the roll given by the stroke as a share of the speed: 0 a centre-ball hit, 1 natural roll, below 0
    draw.
    """
    velocity = speed_mps * np.array([cos(bearing_rad), sin(bearing_rad)])
    run = _Run(Motion({name: np.array(place, dtype=float) for name, place in starts_m.items()}), table, physics, t_s)
    run.leave(struck, run.motion.starts_m[struck], velocity, follow * velocity)
    while run.running and run.step(t_s + lasts_s):
        pass
    return run.motion


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
    target = np.array(target_m)

    def off(bearing: float) -> float:
        return simulate({"cue": start_m}, "cue", bearing, speed_mps, table, physics).miss_m("cue", rails, target)

    mirror = unfold(np.array(start_m), target, rails, table).bearing_rad
    tried = mirror + np.radians(np.arange(-14, 14.01, 0.5))
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


class _Run:
    """The balls on their way: the legs that they are on, and the time up to which all is known."""

    def __init__(self, motion: Motion, table: Table, physics: Physics, now: float) -> None:
        self.motion, self.table, self.physics, self.now = motion, table, physics, now
        self.running: dict[str, Leg] = {}
        self.gone: set[str] = set()

    def leave(self, ball: str, place: Array, velocity: Array, roll: Array, falls: bool = False) -> Leg:
        """Start a new leg of a ball, and end the one that it was on."""
        before = self.motion.leg_at(ball, self.now)
        if before is not None and self.now < before.end_s:
            # By identity: legs hold arrays, which have no one answer to whether they are equal.
            place_of = next(k for k, leg in enumerate(self.motion.legs) if leg is before)
            self.motion.legs[place_of] = replace(before, end_s=self.now)
        leg = Leg(ball, self.now, place, velocity, roll, self.physics, falls=falls)
        self.motion.legs.append(leg)
        self.running[ball] = leg
        return leg

    def step(self, until: float) -> bool:
        """Go on to the next contact; False when there is none before ``until``."""
        when, what, names = min(event for leg in self.running.values() for event in self._own_events(leg))
        falling = {leg.ball for leg in self.running.values() if leg.falls}
        free = [name for name in self.motion.starts_m if name not in self.gone | falling]
        for pair in combinations(free, 2):
            meeting = self._meeting_s(pair, min(when, until))
            if meeting < when:
                when, what, names = meeting, "balls", pair
        if when > until:
            return False
        self.now = when
        if what == "stop":
            self.running.pop(names[0])
        elif what == "pocket":
            leg = self.running.pop(names[0])
            self.motion.pockets.append(PocketTruth(leg.ball, self._pocket(leg.start_m), when))
            self.gone.add(leg.ball)
        elif what == "balls":
            self._collide(names)  # type: ignore[arg-type]
        else:
            self._bounce(self.running[names[0]], what)  # type: ignore[arg-type]
        return True

    def _own_events(self, leg: Leg) -> list[tuple[float, str, tuple[str, ...]]]:
        if leg.falls:
            hole = SIDE_HOLE_M if self._pocket(leg.start_m).startswith("side") else CORNER_HOLE_M
            way = 0.5 * hole[1] + (hole[0] if hole is SIDE_HOLE_M else 0.02)
            return [(leg.t_s + way / float(np.hypot(*leg.velocity)), "pocket", (leg.ball,))]
        events: list[tuple[float, str, tuple[str, ...]]] = [(leg.stop_s, "stop", (leg.ball,))]
        for rail in RAILS:
            axis, level = self.table.track_coordinate(rail)
            events.append((leg.crossing_s(axis, level, 1 if rail in ("foot", "left") else -1), rail, (leg.ball,)))
        return events

    def _bounce(self, leg: Leg, rail: Rail) -> None:
        table = self.table
        axis, level = table.track_coordinate(rail)
        place, before = leg.where(self.now), leg.velocity_at(self.now)
        place[axis] = level
        along, length = place[1 - axis], table.length_m if axis == 1 else table.width_m
        corner = table.corner_mouth_m / sqrt(2)
        if not corner <= along <= length - corner or (axis == 1 and abs(along - length / 2) < table.side_mouth_m / 2):
            falling = before * max(1.0, SLOWEST_FALL_MPS / float(np.hypot(*before)))
            self.leave(leg.ball, place, falling, falling, falls=True)
            return
        after = before.copy()
        after[axis] *= -self.physics.rail_restitution
        after[1 - axis] *= self.physics.rail_tangential
        roll = after.copy()
        if self.physics.bends:
            roll[axis] = self.physics.roll_kept * leg.roll_at(self.now)[axis]
        new = self.leave(leg.ball, place, after, roll)
        self.motion.rails.append(
            RailTruth(
                ball=leg.ball,
                rail=rail,
                at_m=place,
                t_s=self.now,
                speed_in_mps=float(np.hypot(*before)),
                speed_out_mps=float(np.hypot(*after)),
                bearing_in_rad=heading_rad(before),
                bearing_out_rad=heading_rad(after),
                bearing_settled_rad=heading_rad(new.settled),
            )
        )

    def _collide(self, pair: tuple[str, str]) -> None:
        now, zero = self.now, np.zeros(2)
        if pair[0] not in self.running:
            pair = (pair[1], pair[0])
        legs = [self.running.get(name) for name in pair]
        places = [np.asarray(self.motion.where(name, now)) for name in pair]
        velocities = [leg.velocity_at(now) if leg else zero for leg in legs]
        line = (places[1] - places[0]) / np.linalg.norm(places[1] - places[0])
        push = (1 + self.physics.ball_restitution) / 2 * float((velocities[0] - velocities[1]) @ line)
        self.motion.balls.append(BallTruth(pair, np.array(places), now))
        for name, leg, place, velocity, sign in zip(pair, legs, places, velocities, (-1, 1), strict=True):
            self.leave(name, place, velocity + sign * push * line, leg.roll_at(now) if leg else zero)

    def _meeting_s(self, pair: tuple[str, str], until: float) -> float:
        """When two balls touch while they approach; infinite if they do not before ``until``."""
        legs = [self.running.get(name) for name in pair]
        if not any(legs) or until <= self.now:
            return inf
        rests = [np.asarray(self.motion.where(name, self.now)) for name in pair]

        def gap(t: float) -> float:
            a, b = (leg.where(t) if leg else rest for leg, rest in zip(legs, rests, strict=True))
            return hypot(a[0] - b[0], a[1] - b[1]) - 2 * self.table.ball_radius_m

        # The gap cannot close faster than the two speeds: leap by that, step finely when near.
        t, before = self.now, gap(self.now)
        speed = sum(max(float(np.hypot(*leg.velocity)), float(np.hypot(*leg.roll))) for leg in legs if leg)
        while t < until:
            ahead = min(t + max(PAIR_STEP_S, 0.9 * before / max(speed, 1e-6)), until)
            after = gap(ahead)
            if after < 0 and after < before:
                if before <= 0:
                    return t
                low, high = t, ahead
                for _ in range(50):
                    middle = (low + high) / 2
                    low, high = (middle, high) if gap(middle) > 0 else (low, middle)
                return high
            t, before = ahead, after
        return inf

    def _pocket(self, place: Array) -> Pocket:
        return min(POCKETS, key=lambda p: float(np.hypot(*(self.table.mouth_m(p) - place))))
