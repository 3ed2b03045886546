"""What is filmed, laid out in time: tries, decoys before them, and hands that carry balls to where they are wanted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import atan2, radians

import numpy as np

from calibration.table import Rail, Table
from tests.rendering.disturbances import SWAY_S, Cover, Decoy, DecoyKind
from tests.rendering.motion import BallTruth, Motion, Physics, PocketTruth, RailTruth
from tests.rendering.scene import Array
from tests.rendering.strike import simulate

CARRY_S = 1.6  # time that a hand needs to bring one ball to its next place
REACH, RELEASE = 0.25, 0.75  # shares of that time at which it takes and lets go the ball
# A decoy: before and after it nothing happens; a hand comes, and then pushes a ball so long.
PAUSE_S, COME_S, PUSH_S, NUDGE_S, ROLLS_S = 0.4, 0.4, 0.5, 0.25, 2.5
RAKED_MPS = 0.8


@dataclass(frozen=True)
class Try:
    """One attempt to be filmed: where the balls lie, how the cue ball is struck, how long before and after."""

    starts_m: Mapping[str, tuple[float, float]]
    bearing_deg: float
    speed_mps: float
    wait_s: float = 2.0
    watch_s: float = 5.0
    follow: float = 0.0


@dataclass(frozen=True)
class TryTruth:
    """What happened: the cue ball's own launch and everything after it."""

    t_s: float
    cue_start_m: Array
    bearing_rad: float
    speed_mps: float
    motion: Motion

    @property
    def contacts(self) -> list[RailTruth]:
        return self.motion.rails

    @property
    def ball_contacts(self) -> list[BallTruth]:
        return self.motion.balls

    @property
    def pocketed(self) -> list[PocketTruth]:
        return self.motion.pockets

    def miss_m(self, ball: str, rails: Sequence[Rail], target_m: Array) -> float:
        """Offset from the target on the leg after the rails named, positive to the left; see ``Motion.miss_m``."""
        return self.motion.miss_m(ball, rails, target_m)


@dataclass(frozen=True)
class Push:
    """A hand moves a ball along the cloth; it ends at its fastest when the ball is let go to roll."""

    ball: str
    from_s: float
    to_s: float
    source_m: Array
    goal_m: Array
    rolls_on: bool = False

    def where(self, t_s: float) -> Array:
        part = float(np.clip((t_s - self.from_s) / (self.to_s - self.from_s), 0, 1))
        way = part * part if self.rolls_on else part * part * (3 - 2 * part)
        return np.asarray(self.source_m + (self.goal_m - self.source_m) * way)


@dataclass(frozen=True)
class DecoyTruth:
    """A decoy as it was filmed."""

    kind: DecoyKind
    from_s: float
    to_s: float


@dataclass
class Act:
    """A stretch of the clip: a try or a decoy, then hands that carry balls to where the next act wants them.

    ``addressed``: the stick swings behind a ball (place, bearing, from, to) and does not strike it.
    """

    motion: Motion
    begins_s: float
    ends_s: float
    truth: TryTruth | None = None
    decoy: DecoyTruth | None = None
    pushes: list[Push] = field(default_factory=list)
    covers: list[Cover] = field(default_factory=list)
    addressed: tuple[Array, float, float, float] | None = None
    carries: list[tuple[str, float, Array, Array]] = field(default_factory=list)


def plan(tries: Sequence[Try], table: Table, physics: Physics, decoys: Sequence[Decoy] = ()) -> list[Act]:
    """Lay tries and decoys out in time; between two acts each ball that lies elsewhere is carried by a hand."""
    acts: list[Act] = []
    begins = 0.0
    for k, attempt in enumerate(tries):
        for decoy in (d for d in decoys if d.before_try == k):
            act = _decoy_act(decoy, attempt, begins, table, physics)
            _set_up(act, attempt.starts_m, table)
            acts.append(act)
            begins = act.ends_s
        act = _try_act(attempt, begins, table, physics)
        if k + 1 < len(tries):
            _set_up(act, tries[k + 1].starts_m, table)
        else:
            _forget(act.motion, {}, act.ends_s)
        acts.append(act)
        begins = act.ends_s
    return acts


def _try_act(attempt: Try, begins: float, table: Table, physics: Physics) -> Act:
    strike = begins + attempt.wait_s
    bearing = radians(attempt.bearing_deg)
    # The balls roll on until a hand takes them; what would happen after that is not part of the truth.
    lasts = attempt.watch_s + CARRY_S * len(attempt.starts_m)
    motion = simulate(
        attempt.starts_m,
        "cue",
        bearing,
        attempt.speed_mps,
        table,
        physics,
        follow=attempt.follow,
        t_s=strike,
        lasts_s=lasts,
    )
    truth = TryTruth(strike, motion.starts_m["cue"], bearing, attempt.speed_mps, motion)
    return Act(motion, begins, strike + attempt.watch_s, truth)


def _decoy_act(decoy: Decoy, attempt: Try, begins: float, table: Table, physics: Physics) -> Act:
    """A decoy among the balls as they lie for the next try."""
    starts = {name: np.array(place, dtype=float) for name, place in attempt.starts_m.items()}
    here = starts[decoy.ball]
    came = begins + PAUSE_S + COME_S
    if decoy.kind == "hand roll":
        velocity, release = np.array(decoy.velocity), came + PUSH_S
        push = Push(decoy.ball, came, release, here, here + velocity * PUSH_S / 2, rolls_on=True)
        places = {name: (float(p[0]), float(p[1])) for name, p in (starts | {decoy.ball: push.goal_m}).items()}
        speed, bearing = float(np.hypot(*velocity)), atan2(velocity[1], velocity[0])
        lasts = ROLLS_S + CARRY_S * (1 + len(starts))
        motion = simulate(places, decoy.ball, bearing, speed, table, physics, follow=1.0, t_s=release, lasts_s=lasts)
        act = Act(motion, begins, release + ROLLS_S, pushes=[push])
        ends = release + ROLLS_S
    elif decoy.kind in ("raked", "nudged"):
        by = np.array(decoy.by_m)
        takes = NUDGE_S if decoy.kind == "nudged" else float(np.hypot(*by)) / RAKED_MPS
        pushes = [Push(decoy.ball, came, came + takes, here, here + by)]
        covers = []
        if decoy.kind == "raked":
            others = sorted((n for n in starts if n != decoy.ball), key=lambda n: float(np.hypot(*(starts[n] - here))))
            for name in others[:1]:
                if np.hypot(*(starts[name] - here)) < 0.5:
                    pushes.append(Push(name, came, came + takes, starts[name], starts[name] + by))
        else:
            covers.append(Cover("arm", (float(here[0]) + 0.03, float(here[1])), came - 0.1, came + takes + 0.2))
        motion = Motion(starts | {push.ball: push.goal_m for push in pushes})
        ends = came + takes + COME_S
        act = Act(motion, begins, ends + PAUSE_S, pushes=pushes, covers=covers)
    else:
        ends = came + decoy.lasts_s
        act = Act(Motion(starts), begins, ends + PAUSE_S)
        if decoy.kind == "practice strokes":
            act.addressed = (starts["cue"], radians(attempt.bearing_deg), came - COME_S, ends)
        elif decoy.kind == "walker":
            side = -0.25 if here[1] < table.width_m / 2 else table.width_m + 0.25
            path = ((-0.6, side), (table.length_m + 0.6, side))
            act.covers.append(Cover("walker", path[0], came, ends - SWAY_S, path[1]))
        else:
            act.covers.append(Cover("arm", decoy_place(here, table), came, ends - SWAY_S))
    act.decoy = DecoyTruth(decoy.kind, begins + PAUSE_S, ends)
    return act


def decoy_place(here: Array, table: Table) -> tuple[float, float]:
    """Where an arm leans that reaches over a ball from the nearer long rail."""
    inwards = 0.08 if here[1] < table.width_m / 2 else -0.08
    return float(here[0]), float(here[1] + inwards)


def _set_up(act: Act, starts_m: Mapping[str, tuple[float, float]], table: Table) -> None:
    """Hands carry the balls to where the next act wants them, one after the other."""
    held: dict[str, float] = {}
    for name, place in starts_m.items():
        goal, taken = np.array(place), act.ends_s + REACH * CARRY_S
        here = act.motion.where(name, taken)
        if here is None or np.hypot(*(here - goal)) > 1e-6:
            aside = np.array([goal[0], -0.3 if goal[1] < table.width_m / 2 else table.width_m + 0.3])
            act.carries.append((name, act.ends_s, aside if here is None else here, goal))
            act.ends_s += CARRY_S
            held[name] = taken
    _forget(act.motion, held, act.ends_s)


def _forget(motion: Motion, held: dict[str, float], ends_s: float) -> None:
    """Strike out what would have happened to balls after a hand took them."""
    motion.rails = [c for c in motion.rails if c.t_s < held.get(c.ball, ends_s)]
    motion.balls = [c for c in motion.balls if c.t_s < min(held.get(ball, ends_s) for ball in c.balls)]
    motion.pockets = [p for p in motion.pockets if p.t_s < held.get(p.ball, ends_s)]
