"""Where rolling begins, on legs that a slide bends at their start: paths integrated from the equations of motion."""

from math import radians

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.vision.rolling import Cloth, Rolled, frames, run
from tests.vision.test_serial import chain
from vision.legs import Path, fit_line
from vision.straight import straight_end

TABLE = STANDARD_TABLES["9ft"]
NOISE_M = 0.0003


def off_a_rail(fps: float = 60.0, slide: float = 0.2) -> tuple[Rolled, float, float, float]:
    """A leg after a rail: the whole path, from when to when, and the bearing on which it rolls in the end."""
    speed = 2.2 * np.array([np.cos(radians(60.0)), np.sin(radians(60.0))])
    rolled = run((0.5, 0.3), speed, frames(4.0, fps), table=TABLE, cloth=Cloth(slide=slide))
    first, second = rolled.bounces[:2]
    settled = rolled.v[np.flatnonzero(rolled.t < second.t_s)[-1]]
    return rolled, first.t_s, second.t_s, float(np.arctan2(settled[1], settled[0]))


def seen(noise_m: float, stated_m: float, seed: int, alike: float = 0.0, fps: float = 60.0) -> tuple[Path, float]:
    rolled, from_s, until_s, true = off_a_rail(fps)
    keep = (rolled.t > from_s + 0.01) & (rolled.t < until_s - 0.01)
    n = int(keep.sum())
    noise = noise_m * np.column_stack([chain(alike, n, 2 * seed), chain(alike, n, 2 * seed + 1)])
    return Path(rolled.t[keep], rolled.xy[keep] + noise, np.full(n, stated_m)), true


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
def test_most_of_what_rolls_straight_is_kept(fps: float) -> None:
    """Also where sightings err by twice what they state, and alike: as they do in films of a low bit rate."""
    for seed in range(12):
        clear, _ = seen(NOISE_M, NOISE_M, seed, fps=fps)
        coarse, _ = seen(2 * NOISE_M, NOISE_M, seed, alike=0.4, fps=fps)
        assert 0.6 < len(straight_end(clear)) / len(clear) < 0.95
        assert len(straight_end(coarse)) / len(coarse) > 0.6


@pytest.mark.parametrize(("alike", "times"), [(0.0, 1.0), (0.4, 2.0)])
def test_line_of_the_straight_end_is_honest(alike: float, times: float) -> None:
    turns = []
    for seed in range(60):
        path, true = seen(times * NOISE_M, NOISE_M, seed, alike)
        line = fit_line(straight_end(path))
        turns.append(np.angle(np.exp(1j * (line.bearing_rad - true))) / line.bearing_sd_rad)
    assert 0.7 < np.sqrt(np.mean(np.square(turns))) < 1.4


def test_first_sighting_smeared_by_the_rail_spoils_nothing() -> None:
    path, true = seen(NOISE_M, NOISE_M, 3)
    xy = path.xy.copy()
    xy[0] += [0.004, 0.004]
    line = fit_line(straight_end(Path(path.t, xy, path.sd)))
    assert abs(np.angle(np.exp(1j * (line.bearing_rad - true)))) < 4 * line.bearing_sd_rad


def test_what_is_short_is_kept() -> None:
    path, _ = seen(NOISE_M, NOISE_M, 1)
    assert len(straight_end(path.part(slice(0, 3)))) == 3
    assert len(straight_end(path.part(slice(0, 1)))) == 1
    assert 4 <= len(straight_end(path.part(slice(0, 5)))) <= 5


def test_ball_that_lies_still_at_the_end_of_a_leg_tells_no_line() -> None:
    """A slow leg is seen until the ball has lain still for a while: its line is that of the way, not of the rest."""
    slow = run((1.6, 1.2), (0.1, -0.5), frames(4.6, 15.0), table=None)
    bearing = float(np.arctan2(-0.5, 0.1))
    assert np.hypot(*slow.v[-1]) == 0 < np.hypot(*slow.v[len(slow.t) // 2])
    for seed in range(40):
        line = fit_line(straight_end(slow.path(NOISE_M, seed=seed)))
        assert abs(np.angle(np.exp(1j * (line.bearing_rad - bearing)))) < 0.01
