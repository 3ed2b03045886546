"""The line after the last rail: as far as nothing turned the ball there, and honest where that is not far."""

from functools import cache
from math import radians

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.vision.rolling import Cloth, Rolled, frames, run
from vision.contacts.run import Run, follow
from vision.contacts.turns import before_turn
from vision.last_leg import free_part, line_after
from vision.legs import Path
from vision.reading import RailHit

TABLE = STANDARD_TABLES["9ft"]
NOISE_M = 0.0003


@cache
def off_a_rail(seed: int, fps: float) -> tuple[Rolled, float, float, float]:
    """A ball that comes rolling to the left rail, at various angles, over various cloths and cushions: its path, when
    it met that rail and the next one, and the bearing on which it rolls in the end."""
    rng = np.random.default_rng(seed)
    cloth = Cloth(rng.uniform(0.16, 0.24), 0.010, rng.uniform(0.7, 0.9), rng.uniform(0.75, 0.95), rng.uniform(0.0, 0.5))
    bearing, speed = radians(rng.uniform(35, 75)), rng.uniform(0.8, 2.0)
    velocity = [speed * np.cos(bearing), speed * np.sin(bearing)]
    times = frames(4.0, fps, begin_s=rng.uniform(0, 1 / fps))
    rolled = run((0.4, 0.8), velocity, times, table=TABLE, roll_mps=velocity, cloth=cloth)
    until_s = rolled.bounces[1].t_s if len(rolled.bounces) > 1 else 4.0
    settled = rolled.v[np.flatnonzero(rolled.t < until_s)[-1]]
    return rolled, rolled.bounces[0].t_s, until_s, float(np.arctan2(settled[1], settled[0]))


def seen(seed: int, fps: float, for_s: float) -> tuple[Run, float, Rolled]:
    """The run of such a ball that is seen for so long after the rail, and its true bearing in the end."""
    rolled, met_s, until_s, true = off_a_rail(seed, fps)
    path = rolled.path(NOISE_M, seed)
    path = path.part(path.t < min(met_s + for_s, until_s - 0.01))
    return follow("red", path, {}, TABLE), true, rolled


@pytest.mark.parametrize("for_s", [0.08, 0.15, 0.3, 0.8, 2.0])
def test_line_is_honest_however_short_the_leg(for_s: float) -> None:
    off, sds = [], []
    for seed in range(16):
        found, true, _ = seen(seed, 60.0, for_s)
        assert isinstance(found.junctions[0], RailHit)
        line = line_after(found, 1, TABLE)
        off.append(np.angle(np.exp(1j * (line.bearing_rad - true))) / line.bearing_sd_rad)
        sds.append(line.bearing_sd_rad)
    assert 0.3 < np.sqrt(np.mean(np.square(off))) < 1.4
    # While it slides, no more is known than what a cushion usually does; of a long leg the line is seen.
    assert (np.degrees(np.median(sds)) < 0.1) == (for_s > 0.5)


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_line_passes_where_the_ball_goes(fps: float) -> None:
    """Offset and bearing together: where the line passes half a metre on, a third of a second being seen."""
    off = []
    for seed in range(16):
        found, _, rolled = seen(seed, fps, 0.3)
        line = line_after(found, 1, TABLE)
        later = (rolled.t > found.legs[1].t[-1] + 0.4) & (rolled.t < found.legs[1].t[-1] + 0.5)
        if len(rolled.bounces) > 1 and rolled.bounces[1].t_s < found.legs[1].t[-1] + 0.6:
            continue
        miss, sd = line.miss(rolled.xy[later][0])
        off.append(miss / sd)
    assert len(off) > 8
    assert 0.2 < np.sqrt(np.mean(np.square(off))) < 1.4


@pytest.mark.parametrize("for_s", [0.10, 0.3, 0.8, 2.0])
def test_target_close_to_the_rail_is_passed_where_the_ball_still_slides(for_s: float) -> None:
    """Seen to pass it, or not so far: held against the path itself a tenth of a second after the rail."""
    off, in_the_end = [], []
    for seed in range(16):
        found, _, rolled = seen(seed, 60.0, for_s)
        k = int(np.searchsorted(rolled.t, rolled.bounces[0].t_s + 0.12))
        ahead = rolled.v[k] / np.hypot(*rolled.v[k])
        target = rolled.xy[k] + 0.02 * np.array([-ahead[1], ahead[0]])
        miss, sd = line_after(found, 1, TABLE, target).miss(target)
        off.append((miss + 0.02) / sd)
        in_the_end.append(line_after(found, 1, TABLE).miss(target)[0] + 0.02)
    assert 0.2 < np.sqrt(np.mean(np.square(off))) < 1.5
    # The line on which it rolls later passes elsewhere.
    assert np.abs(in_the_end).max() > 0.004


@pytest.mark.parametrize(("fps", "turn_mps"), [(30.0, 0.1), (60.0, 0.08), (60.0, 0.3)])
def test_line_ends_where_the_ball_was_turned(fps: float, turn_mps: float) -> None:
    tried = 0
    for seed in range(8):
        rolled, met_s, until_s, true = off_a_rail(seed, fps)
        turned_s = met_s + 0.75
        path = rolled.path(NOISE_M, seed)
        path = path.part(path.t < until_s - 0.01)
        if path.t[-1] < turned_s + 0.3:
            continue
        tried += 1
        aside = np.array([-np.sin(true), np.cos(true)]) * turn_mps
        bent = Path(path.t, path.xy + aside * np.maximum(path.t - turned_s, 0)[:, None], path.sd)
        line = line_after(follow("red", bent, {}, TABLE), 1, TABLE)
        turn = np.angle(np.exp(1j * (line.bearing_rad - true)))
        assert abs(turn) < 4 * line.bearing_sd_rad
        assert abs(turn) < radians(1.0)
    assert tried > 3


@pytest.mark.parametrize(("fps", "noise_m"), [(30.0, NOISE_M), (60.0, NOISE_M), (120.0, NOISE_M), (60.0, 0.001)])
def test_ball_that_slides_and_then_rolls_was_turned_by_nothing(fps: float, noise_m: float) -> None:
    for seed in range(12):
        rolled, met_s, until_s, _ = off_a_rail(seed, fps)
        path = rolled.path(noise_m, seed)
        leg = path.part((path.t > met_s + 0.01) & (path.t < until_s - 0.01))
        assert len(before_turn(leg)) == len(leg)


def test_leg_that_no_frame_shows_tells_no_line() -> None:
    found, _, _ = seen(0, 60.0, 0.3)
    hit = found.junctions[0]
    assert isinstance(hit, RailHit)
    unseen = Path(np.array([hit.t_s, hit.t_s + 0.01]), np.array([hit.at_m, hit.at_m + 0.005]), np.full(2, 0.005))
    line = line_after(Run("red", (found.legs[0], unseen), (hit,)), 1, TABLE)
    # One of its ends is the contact itself.
    assert np.isnan(line.bearing_rad)


def test_leg_ends_where_the_ball_was_turned_while_it_was_not_seen() -> None:
    """Though its places are so unsure that friction all but explains it: a ball of nearly the cloth's colour."""
    t = np.array([*np.arange(8) / 30, *(0.45 + np.arange(10) / 30)])
    after = np.maximum(t - 0.35, 0.0)
    xy = np.column_stack([0.8 + 0.75 * t - 1.4 * after, 0.4 + 0.6 * t - 0.8 * after])
    path = Path(t, xy, np.full(len(t), 0.01))
    assert len(before_turn(path)) == len(path)
    assert len(free_part(Run("red", (path,), ()), 0, TABLE)) == 8


def hidden_after_a_rail(seed: int) -> Run:
    """A ball that comes rolling to a rail at a firm pace, and is hidden just after it for a quarter of a second."""
    rng = np.random.default_rng(seed)
    bearing, speed = radians(rng.uniform(35, 75)), rng.uniform(2.5, 4.5)
    velocity = [speed * np.cos(bearing), speed * np.sin(bearing)]
    rolled = run((0.4, 0.8), velocity, frames(1.2, 30.0), table=TABLE, roll_mps=velocity)
    until_s = rolled.bounces[1].t_s - 0.01 if len(rolled.bounces) > 1 else 1.2
    path = rolled.path(NOISE_M, seed)
    since = path.t - rolled.bounces[0].t_s
    return follow("red", path.part((path.t < until_s) & ~((since > 0.05) & (since < 0.3))), {}, TABLE)


def test_leg_goes_on_where_the_ball_slid_on_unseen() -> None:
    whole = 0
    for seed in range(16):
        found = hidden_after_a_rail(seed)
        leg = found.legs[-1]
        before = before_turn(leg)
        whole += len(before) > 4
        assert len(free_part(found, len(found.legs) - 1, TABLE)) == len(before)
    assert whole > 8
