"""Rails touched at so flat an angle that only the way there and the way back tell it."""

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from vision.contacts.grazes import GRAZE_DEPTH_M, cut_at_grazes
from vision.legs import Path

TABLE = STANDARD_TABLES["9ft"]
RAIL_S, SPEED_MPS = 1.0, 0.85


def along_right_rail(times: np.ndarray, in_deg: float, out_deg: float, noise_m: float, seed: int) -> Path:
    """A ball that comes to the right rail at one angle and goes away at another, or (both 0) rolls along beside it."""
    rng = np.random.default_rng(seed)
    tau = times - RAIL_S
    off = SPEED_MPS * np.where(tau < 0, -tau * np.sin(np.radians(in_deg)), tau * np.sin(np.radians(out_deg)))
    places = np.column_stack([0.6 + SPEED_MPS * tau, TABLE.track_offset_m + 0.001 + off])
    return Path(times, places + rng.normal(0, noise_m, places.shape), np.full(len(times), noise_m))


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize("out_deg", [4.0, 5.0, 6.0])
def test_graze_is_told_though_the_ball_gets_not_far_from_the_rail_again(out_deg: float, fps: float) -> None:
    for seed in range(8):
        path = along_right_rail(np.arange(0.4, RAIL_S + 0.21, 1 / fps), 6.8, out_deg, 0.0004, seed)
        assert float(path.xy[-1, 1]) - TABLE.track_offset_m < GRAZE_DEPTH_M + 0.006
        parts = cut_at_grazes(path, TABLE)
        assert len(parts) == 2
        assert float(parts[0].t[-1]) == pytest.approx(RAIL_S, abs=1.6 / fps)


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("noise_m", [0.0003, 0.001, 0.003])
def test_ball_that_rolls_along_beside_a_rail_did_not_graze_it(noise_m: float, fps: float) -> None:
    for seed in range(20):
        path = along_right_rail(np.arange(0.4, RAIL_S + 0.6, 1 / fps), 0.0, 0.0, noise_m, seed)
        assert len(cut_at_grazes(path, TABLE)) == 1
