"""Turns on a way: all sightings gone through at once tell what each by itself does."""

import numpy as np
import pytest

from vision.contacts.turns import BASE_S, LEAST_GAIN, _gains, before_turn, comes_from_elsewhere
from vision.legs import SLIDING_MPS2, Path

SD_M = 0.0004


def rolled(fps: float, seed: int, turn_mps: float) -> Path:
    """A ball that is evenly slowed, seen at uneven times, turned after 0.7 s."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.7, 1.3, int(1.4 * fps))) / fps
    ahead = np.array([np.cos(seed), np.sin(seed)])
    way = 1.5 * t - 0.1 * t**2
    xy = way[:, None] * ahead + np.maximum(t - 0.7, 0.0)[:, None] * turn_mps * np.array([-ahead[1], ahead[0]])
    return Path(t, xy + rng.normal(0, SD_M, xy.shape), np.full(len(t), SD_M))


def left_at(path: Path, turned_s: float, slide_ends_s: float, *, turned: bool) -> float:
    """What is left of the path near a moment, in squared standard deviations, by least squares of its own rows."""
    part = path.part(np.abs(path.t - turned_s) < BASE_S)
    tau = part.t - turned_s - slide_ends_s
    columns = [np.ones_like(tau), tau, np.minimum(tau, 0) ** 2 / 2, np.maximum(tau, 0) ** 2 / 2]
    design = np.column_stack([*columns, *([np.maximum(tau, 0)] if turned else [])])
    held = np.eye(design.shape[1])[2:4] / SLIDING_MPS2
    rows, goals = np.vstack([design / SD_M, held]), np.vstack([part.xy / SD_M, np.zeros((2, 2))])
    return float(((rows @ np.linalg.lstsq(rows, goals, rcond=None)[0] - goals) ** 2).sum())


@pytest.mark.parametrize(("fps", "seed"), [(30.0, 1), (60.0, 2), (240.0, 3)])
def test_gain_of_a_turn_is_that_of_least_squares(fps: float, seed: int) -> None:
    path = rolled(fps, seed, 0.3)
    gains = _gains(path)
    k = int(gains.argmax())
    assert path.t[k] == pytest.approx(0.7, abs=2 / fps)
    turned_s = (path.t[k - 1] + path.t[k]) / 2
    near = path.t[np.abs(path.t - turned_s) < BASE_S] - turned_s
    turned = left_at(path, turned_s, 0.0, turned=True)
    slid = min(left_at(path, turned_s, ends, turned=False) for ends in [0.0, *(near[1:] + near[:-1]) / 2])
    noise = max(turned / (2 * len(near) - 6), 1.0)
    assert gains[k] == pytest.approx((slid - turned) / noise, rel=1e-5)
    assert gains[k] > LEAST_GAIN
    assert len(before_turn(path)) == k


@pytest.mark.parametrize("count", [0, 1, 5, 6, 7])
def test_few_sightings_tell_no_turn(count: int) -> None:
    path = rolled(60.0, 4, 0.0).part(slice(0, count))
    assert not _gains(path).any()
    assert len(before_turn(path)) == count


@pytest.mark.parametrize(("unseen_s", "aside_m", "elsewhere"), [(0.4, 0.0, False), (0.4, 0.3, True), (0.1, 0.3, False)])
def test_leg_that_is_seen_late_comes_from_where_its_line_does(unseen_s: float, aside_m: float, elsewhere: bool) -> None:
    """Seen at once it cannot come from anywhere else."""
    t = unseen_s + np.arange(8) / 30
    leg = Path(t, np.column_stack([1.2 * t, aside_m + 0.0 * t]), np.full(len(t), 0.001))
    assert comes_from_elsewhere(leg, np.zeros(2), 0.0) == elsewhere
