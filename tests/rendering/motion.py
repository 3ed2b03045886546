"""How the made-up balls move between contacts, and what is known of a motion afterwards.

A ball slides until its surface rests on the cloth, then rolls. While it slides, friction pulls against the slip of its
lowest point, whose direction stays the same, so the path is a parabola; a ball struck without spin slides straight and
rolls at 5/7 of its speed (Coriolis 1835, as in any textbook). Rolling, it slows down evenly.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import atan2, inf, sqrt

import numpy as np

from calibration.table import Pocket, Rail
from tests.rendering.scene import Array

GRAVITY_MPS2 = 9.81


@dataclass(frozen=True)
class Physics:
    """Cloth, cushions and balls; defaults in the middle of the ranges that D. G. Alciatore gives (Colorado State
    University, billiards.colostate.edu, physical properties).

    A cushion acts in an instant: it returns ``rail_restitution`` of the speed towards it, keeps ``rail_tangential`` of
    the speed along it, and leaves the ball ``roll_kept`` of its roll towards the rail (along the rail the ball rolls).
    So the path bends for a moment after a rail. Without ``bends`` every leg is straight.
    """

    slide: float = 0.20
    roll: float = 0.010
    rail_restitution: float = 0.85
    rail_tangential: float = 0.80
    roll_kept: float = 0.25
    bends: bool = True
    ball_restitution: float = 0.95


# Straight legs at the angles that a rolling ball takes once it rolls again.
STRAIGHT = Physics(rail_restitution=0.62, rail_tangential=0.73, bends=False)
# A mirror for a cushion: angle and speed are kept, legs are straight.
IDEAL = Physics(rail_restitution=1.0, rail_tangential=1.0, bends=False)


def heading_rad(velocity: Array) -> float:
    return atan2(velocity[1], velocity[0])


@dataclass(frozen=True)
class Phase:
    """A stretch of constant acceleration: from ``t_s`` on for ``lasts_s``."""

    t_s: float
    place_m: Array
    velocity: Array
    acceleration: Array
    lasts_s: float

    def where(self, t_s: float) -> Array:
        t = t_s - self.t_s
        return np.asarray(self.place_m + self.velocity * t + self.acceleration * (t * t / 2))


@dataclass(frozen=True)
class Leg:
    """A ball's path from ``t_s`` to its next contact at ``end_s``: velocity and roll (the velocity at which the ball
    would roll with its spin), both (2,) metres per second. A leg that ``falls`` has left the bed at a pocket."""

    ball: str
    t_s: float
    start_m: Array
    velocity: Array
    roll: Array
    physics: Physics
    end_s: float = inf
    falls: bool = False

    @property
    def slip(self) -> Array:
        return np.asarray(self.velocity - self.roll)

    @property
    def settled(self) -> Array:
        """Velocity at which the ball starts to roll."""
        return np.asarray(self.velocity - self.slip * (2 / 7))

    @property
    def phases(self) -> tuple[Phase, Phase]:
        """Sliding, then rolling to rest."""
        slip = float(np.hypot(*self.slip))
        friction = self.physics.slide * GRAVITY_MPS2
        slide_s = 2 * slip / (7 * friction)
        pull = -friction * self.slip / slip if slip > 0 else np.zeros(2)
        sliding = Phase(self.t_s, self.start_m, self.velocity, pull, slide_s)
        speed, drag = float(np.hypot(*self.settled)), self.physics.roll * GRAVITY_MPS2
        drag_vector = -drag * self.settled / speed if speed > 0 else np.zeros(2)
        begin = self.t_s + slide_s
        return sliding, Phase(begin, sliding.where(begin), self.settled, drag_vector, speed / drag)

    @property
    def stop_s(self) -> float:
        rolling = self.phases[1]
        return rolling.t_s + rolling.lasts_s

    def _phase(self, t_s: float) -> Phase:
        sliding, rolling = self.phases
        return sliding if t_s < rolling.t_s else rolling

    def onward(self, t_s: float) -> Array:
        """Where the ball would be, had nothing met it; at rest in the end."""
        t = min(t_s, self.stop_s)
        return self._phase(t).where(t)

    def where(self, t_s: float) -> Array:
        return self.onward(min(t_s, self.end_s))

    def velocity_at(self, t_s: float) -> Array:
        t = min(t_s, self.stop_s)
        phase = self._phase(t)
        return np.asarray(phase.velocity + phase.acceleration * (t - phase.t_s))

    def speed_at(self, t_s: float) -> float:
        return float(np.hypot(*self.velocity_at(t_s)))

    def roll_at(self, t_s: float) -> Array:
        sliding, rolling = self.phases
        if t_s >= rolling.t_s:
            return self.velocity_at(t_s)
        return np.asarray(self.roll - 2.5 * sliding.acceleration * (t_s - self.t_s))

    def crossing_s(self, axis: int, level_m: float, outwards: int) -> float:
        """When the ball first crosses x or y = ``level_m`` in the direction of the sign ``outwards``; else infinite."""
        for phase in self.phases:
            gap = float(phase.place_m[axis]) - level_m
            speed, pull = float(phase.velocity[axis]), float(phase.acceleration[axis])
            for t in _roots(pull / 2, speed, gap):
                if -1e-9 <= t <= phase.lasts_s and (speed + pull * t) * outwards > 1e-12:
                    return phase.t_s + max(t, 0.0)
        return inf


def _roots(a: float, b: float, c: float) -> list[float]:
    """Real roots of a t^2 + b t + c, the smaller first."""
    if abs(a) < 1e-12:
        return [-c / b] if b else []
    inside = b * b - 4 * a * c
    if inside < 0:
        return []
    q = -(b + (sqrt(inside) if b >= 0 else -sqrt(inside))) / 2
    return sorted([q / a] + ([c / q] if q else []))


@dataclass(frozen=True)
class RailTruth:
    """A ball at a rail. Bearings just before, just after, and once it rolls again."""

    ball: str
    rail: Rail
    at_m: Array
    t_s: float
    speed_in_mps: float
    speed_out_mps: float
    bearing_in_rad: float
    bearing_out_rad: float
    bearing_settled_rad: float


@dataclass(frozen=True)
class BallTruth:
    """Two balls meet; ``at_m`` are both centres, (2, 2), the moving ball's first."""

    balls: tuple[str, str]
    at_m: Array
    t_s: float


@dataclass(frozen=True)
class PocketTruth:
    ball: str
    pocket: Pocket
    t_s: float


@dataclass
class Motion:
    """What happened after a strike: legs of each ball in order, contacts, collisions, balls pocketed."""

    starts_m: dict[str, Array]
    legs: list[Leg] = field(default_factory=list)
    rails: list[RailTruth] = field(default_factory=list)
    balls: list[BallTruth] = field(default_factory=list)
    pockets: list[PocketTruth] = field(default_factory=list)

    def leg_at(self, ball: str, t_s: float) -> Leg | None:
        """The leg that a ball is on, or was on last."""
        return next((leg for leg in reversed(self.legs) if leg.ball == ball and leg.t_s <= t_s), None)

    def where(self, ball: str, t_s: float) -> Array | None:
        """Centre (2,) of a ball, None once it is pocketed."""
        if any(p.ball == ball and p.t_s <= t_s for p in self.pockets):
            return None
        leg = self.leg_at(ball, t_s)
        return leg.where(t_s) if leg else self.starts_m[ball]

    def moving(self, ball: str, t_s: float) -> bool:
        leg = self.leg_at(ball, t_s)
        return leg is not None and t_s < min(leg.stop_s, leg.end_s)

    def miss_m(self, ball: str, rails: Sequence[Rail], target_m: Array) -> float:
        """Offset of the path from a target where it comes closest on the leg after the rails named.

        Positive when the path passes to the left. The leg is taken as it would have gone without a ball in its way,
        straight on if it stops short. NaN when the ball does not take those rails.
        """
        own = [c for c in self.rails if c.ball == ball]
        if [c.rail for c in own[: len(rails)]] != list(rails):
            return float("nan")
        leg = self.leg_at(ball, own[len(rails) - 1].t_s)
        if leg is None or leg.falls:
            return float("nan")
        low, high = leg.t_s, leg.stop_s - 1e-6
        if self._ahead(leg, high, target_m) > 0:
            low = high  # stops short: its last direction decides
        for _ in range(60 if low < high else 0):
            middle = (low + high) / 2
            low, high = (middle, high) if self._ahead(leg, middle, target_m) > 0 else (low, middle)
        velocity = leg.velocity_at(high)
        left = np.array([-velocity[1], velocity[0]]) / np.hypot(*velocity)
        return float((leg.onward(high) - target_m) @ left)

    @staticmethod
    def _ahead(leg: Leg, t_s: float, target_m: Array) -> float:
        return float((target_m - leg.onward(t_s)) @ leg.velocity_at(t_s))
