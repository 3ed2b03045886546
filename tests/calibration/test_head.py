"""Which end is the head, for every way to turn a frame, and refusals."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import InputError
from calibration.head import SIDES, place_head, turned_half
from calibration.table import STANDARD_TABLES
from tests.rendering import oblique_camera, overhead_camera

NINE = STANDARD_TABLES["9ft"]
LYING = overhead_camera(NINE)  # the head rail to the left as stored
STANDING = oblique_camera(NINE, size=(720, 1280))  # the head rail at the bottom as stored

# Turning a frame clockwise by a quarter carries left to top, top to right, right to bottom.
CASES = [
    (LYING, 0, None, "left", False),
    (LYING, 180, None, "left", True),
    (LYING, 90, None, "bottom", True),
    (LYING, 270, None, "bottom", False),
    (LYING, 0, "right", "right", True),
    (LYING, 90, "top", "top", False),
    (STANDING, 0, None, "bottom", False),
    (STANDING, 90, None, "left", False),
    (STANDING, 0, "top", "top", True),
]


@pytest.mark.parametrize(("camera", "rotation_deg", "asked", "side", "exchanged"), CASES)
def test_sides(camera, rotation_deg: int, asked: str | None, side: str, exchanged: bool) -> None:  # type: ignore[no-untyped-def]
    found, where = place_head(camera, NINE, rotation_deg, asked)
    assert where == side
    corner = found.project(np.zeros((1, 3)))
    same = camera.project(np.zeros((1, 3)))
    other = camera.project(np.array([[NINE.length_m, NINE.width_m, 0.0]]))
    assert corner == pytest.approx(other if exchanged else same, abs=1e-9)


def test_two_half_turns_change_nothing() -> None:
    covariance = np.diag(np.arange(1.0, 12.0)) + 0.1
    camera = replace(LYING, covariance=covariance)
    back = turned_half(turned_half(camera, NINE), NINE)
    assert back.rotation == pytest.approx(camera.rotation)
    assert back.position_m == pytest.approx(camera.position_m)
    assert back.covariance == pytest.approx(covariance)
    once = turned_half(camera, NINE)
    assert once.common_bearing_sd_rad(NINE) == pytest.approx(camera.common_bearing_sd_rad(NINE))


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_a_long_rail_cannot_be_the_head(side: str) -> None:
    with pytest.raises(InputError, match=f"on the {side} of the picture"):
        place_head(LYING, NINE, 0, side)


def test_an_unknown_side_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match=", ".join(SIDES)):
        place_head(LYING, NINE, 0, "up")
