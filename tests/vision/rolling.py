"""Made-up paths of a ball for the tests of legs and contacts: published equations of motion, integrated step by step.

A ball that slides is slowed by mu g against the slip of its lowest point and spun up by 5 mu g / (2 R) (Coriolis 1835;
the usual textbook treatment); once it rolls, rolling resistance slows it evenly. A cushion returns a share of the
speed towards it, keeps a share of that along it, and some of the roll (an apparent restitution of 0.6 to 0.9 stands in
D. G. Alciatore's list, Colorado State University, billiards.colostate.edu). Nothing is shared with the renderer's
closed forms.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from calibration.table import RAILS, Rail, Table
from vision.legs import Path
from vision.sightings import Sighting

Array = NDArray[np.float64]
G = 9.81


@dataclass(frozen=True)
class Cloth:
    slide: float = 0.20
    roll: float = 0.010
    towards_kept: float = 0.80
    along_kept: float = 0.85
    roll_kept: float = 0.3


@dataclass(frozen=True)
class Bounce:
    t_s: float
    rail: Rail
    at_m: Array
    before_mps: Array
    after_mps: Array


@dataclass(frozen=True)
class Rolled:
    """Places at the times asked for, (n, 2), velocities (n, 2), and the rails that were met."""

    t: Array
    xy: Array
    v: Array
    bounces: tuple[Bounce, ...]

    def path(self, noise_m: float = 0.0, seed: int = 0, sd_m: float = 0.0003) -> Path:
        noise = np.random.default_rng(seed).normal(0, noise_m, self.xy.shape) if noise_m else 0.0
        return Path(self.t, self.xy + noise, np.full(len(self.t), max(noise_m, sd_m)))

    def sightings(self, noise_m: float = 0.0, seed: int = 0) -> list[Sighting]:
        path = self.path(noise_m, seed)
        return [Sighting(float(t), xy, float(sd), False) for t, xy, sd in zip(path.t, path.xy, path.sd, strict=True)]


def run(
    start_m: Sequence[float],
    velocity_mps: Sequence[float],
    times_s: Array,
    *,
    table: Table | None = None,
    roll_mps: Sequence[float] = (0.0, 0.0),
    begins_s: float = 0.0,
    cloth: Cloth | None = None,
) -> Rolled:
    """Follow a ball that sets off at ``begins_s``; with a table, off its rails. At rest before it sets off."""
    cloth = cloth or Cloth()
    state = np.array([*start_m, *velocity_mps, *roll_mps], dtype=float)
    now, until = begins_s, float(times_s[-1]) + 1e-6
    out = np.tile(np.array([*start_m, 0.0, 0.0]), (len(times_s), 1))
    bounces: list[Bounce] = []
    while now < until:
        events = [_stop_sliding, _stop] + ([_at_rail(table, rail) for rail in RAILS] if table else [])
        solved = solve_ivp(
            _motion, (now, until), state, args=(cloth,), events=events, rtol=1e-8, atol=1e-10, dense_output=True,
            max_step=0.05,
        )  # fmt: skip
        here = (times_s >= now) & (times_s <= solved.t[-1])
        if here.any():
            out[here] = solved.sol(times_s[here])[:4].T
        now, state = float(solved.t[-1]), solved.y[:, -1].copy()
        if solved.status != 1:
            break
        which = next(k for k, found in enumerate(solved.t_events) if len(found))
        if which == 0:
            state[4:] = state[2:4]
        elif which == 1:
            out[times_s > now] = [*state[:2], 0.0, 0.0]
            break
        else:
            bounces.append(_bounce(state, now, RAILS[which - 2], table, cloth))
        now += 1e-9
    return Rolled(times_s, out[:, :2], out[:, 2:], tuple(bounces))


def _motion(_: float, state: Array, cloth: Cloth) -> Array:
    velocity, slip = state[2:4], state[2:4] - state[4:]
    size = float(np.hypot(*slip))
    if size > 1e-4:
        pull = -cloth.slide * G * slip / size
        return np.concatenate([velocity, pull, -2.5 * pull])
    speed = float(np.hypot(*velocity))
    drag = -cloth.roll * G * velocity / max(speed, 1e-9)
    return np.concatenate([velocity, drag, drag])


def _stop_sliding(_: float, state: Array, cloth: Cloth) -> float:
    return float(np.hypot(*(state[2:4] - state[4:]))) - 1e-3


def _stop(_: float, state: Array, cloth: Cloth) -> float:
    return float(np.hypot(*state[2:4])) - 2e-3


def _at_rail(table: Table | None, rail: Rail):  # type: ignore[no-untyped-def]
    assert table is not None
    axis, level = table.track_coordinate(rail)

    def gap(_: float, state: Array, cloth: Cloth) -> float:
        return float(state[axis]) - level

    gap.terminal = True  # type: ignore[attr-defined]
    gap.direction = 1.0 if rail in ("foot", "left") else -1.0  # type: ignore[attr-defined]
    return gap


for _event in (_stop_sliding, _stop):
    _event.terminal = True  # type: ignore[attr-defined]
    _event.direction = -1.0  # type: ignore[attr-defined]


def _bounce(state: Array, now: float, rail: Rail, table: Table | None, cloth: Cloth) -> Bounce:
    """Turn the state round at a rail, in place."""
    assert table is not None
    axis, level = table.track_coordinate(rail)
    before = state[2:4].copy()
    state[axis] = level
    state[2 + axis] *= -cloth.towards_kept
    state[3 - axis] *= cloth.along_kept
    state[4 + axis] *= cloth.roll_kept
    state[5 - axis] = state[3 - axis]
    return Bounce(now, rail, state[:2].copy(), before, state[2:4].copy())


def frames(until_s: float, fps: float = 60.0, begin_s: float = 0.0, *, jitter: int | None = None) -> Array:
    """Times of frames; ``jitter`` seeds a varying rate with dropped frames."""
    times = np.arange(begin_s, until_s, 1 / fps)
    if jitter is None:
        return times
    rng = np.random.default_rng(jitter)
    kept = times[rng.random(len(times)) > 0.08]
    return np.asarray(np.sort(kept + rng.uniform(-0.1, 0.1, len(kept)) / fps))
