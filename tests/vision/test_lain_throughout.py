"""Where stills show a ball that the empty table still shows: one that lay there in half of them, or more."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.table import STANDARD_TABLES
from tests.rendering import RED, Ball, Look, looking_at
from tests.rendering.picture import Stage
from vision.film.clip import Frame
from vision.lain_throughout import seen_in

TABLE = STANDARD_TABLES["9ft"]
LAY_M, NEAR_M = (1.28, 0.64), np.array([1.283, 0.638])


@pytest.fixture(scope="module")
def stills() -> tuple[BallPlane, Frame, Frame]:
    """One with the ball and one without."""
    camera = looking_at((1.30, 0.60, 2.8), (*LAY_M, 0.0), size=(160, 120), focal_px=900.0)
    stage = Stage.build(camera, TABLE, Look())
    frames = []
    for balls in ([Ball(*LAY_M, RED)], []):
        levels = stage.still(balls)
        grey = np.rint(16 + levels @ np.array([25.0, 128.6, 65.5]) / 255).astype(np.uint8)
        halves = levels.reshape(60, 2, 80, 2, 3).mean(axis=(1, 3))
        reddish = np.rint(128 + halves @ np.array([-18.2, -93.8, 112.0]) / 255).astype(np.uint8)
        frames.append(Frame(0, Fraction(1, 30), grey, np.full_like(reddish, 128), reddish))
    return BallPlane(camera, TABLE.ball_radius_m), frames[0], frames[1]


@pytest.mark.parametrize(("lay_in", "seen"), [(16, True), (9, True), (8, True), (6, False), (0, False)])
def test_ball_that_lay_there_in_half_of_the_stills_is_seen(
    stills: tuple[BallPlane, Frame, Frame], lay_in: int, seen: bool
) -> None:
    plane, there, gone = stills
    film = [replace(there if k < lay_in else gone, pts=k) for k in range(16)]
    found = seen_in(film, plane, NEAR_M)
    assert (found is not None) == seen
    if found is not None:
        assert found == pytest.approx(LAY_M, abs=0.002)
