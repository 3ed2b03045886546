"""The still with the model drawn over it."""

import numpy as np
import pytest

from calibration.camera import Setup
from calibration.still import NOSE_BGR, draw_setup
from calibration.table import STANDARD_TABLES
from tests.rendering import overhead_camera

NINE = STANDARD_TABLES["9ft"]
SETUP = Setup(NINE, "left", overhead_camera(NINE, size=(1280, 720)))


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_the_noses_are_drawn_where_they_are_in_the_upright_picture(rotation_deg: int) -> None:
    frame = np.full((720, 1280, 3), 90, np.uint8)
    picture = draw_setup(frame, SETUP, rotation_deg=rotation_deg)
    upright = np.rot90(frame, -rotation_deg // 90).shape
    assert picture.shape == upright
    assert (frame == 90).all()
    yellow = (np.abs(picture.astype(int) - NOSE_BGR) < 60).all(axis=2).astype(np.uint8)
    back = np.rot90(yellow, rotation_deg // 90)
    place = SETUP.camera.project(np.array([[0.8, 0.0, NINE.nose_height_m], [0.0, 0.4, NINE.nose_height_m]]))
    for u, v in np.round(place).astype(int):
        assert back[v - 1 : v + 2, u - 1 : u + 2].any()
    assert yellow.mean() < 0.02


def test_a_camera_that_sees_part_of_the_table_draws_what_it_sees() -> None:
    near = Setup(NINE, "left", overhead_camera(NINE, size=(640, 360), fill=2.5))
    assert draw_setup(np.zeros((360, 640, 3), np.uint8), near).any()
