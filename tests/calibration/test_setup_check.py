"""A saved camera against a clip of the same view, of one moved a little, of one moved much, and of another size."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration import setup_check
from calibration.camera import Setup
from calibration.camera_fit import LinePoints
from calibration.setup_check import check_setup
from tests.known_stills import known_still

STILL = known_still("overhead_9ft")
SETUP = Setup(STILL.table, "left", STILL.camera)


def test_the_true_camera_agrees() -> None:
    found = check_setup([STILL.picture], SETUP)
    assert found.agrees
    assert found.why == ""
    assert set(found.offset_px) == {"head", "foot", "left", "right"}
    assert abs(found.worst_px) < 0.5


def test_a_picture_shifted_by_three_pixels_does_not() -> None:
    found = check_setup([np.roll(STILL.picture, 3, axis=1)], SETUP)
    assert not found.agrees
    # To the right in the picture is towards the foot rail, away from the head rail.
    assert found.offset_px["foot"] == pytest.approx(3, abs=0.6)
    assert found.offset_px["head"] == pytest.approx(-3, abs=0.6)
    assert abs(found.offset_px["left"]) < 0.7
    assert "rail lies" in found.why


def test_another_table_altogether() -> None:
    moved = replace(STILL.camera, position_m=STILL.camera.position_m + [0.5, 0.0, 0.0])
    assert not check_setup([STILL.picture], replace(SETUP, camera=moved)).agrees


def test_another_size() -> None:
    found = check_setup([STILL.picture[::2, ::2]], SETUP)
    assert not found.agrees
    assert "960 x 540" in found.why
    assert not check_setup([], SETUP).agrees


def test_one_false_nose_moves_no_camera(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three lines in space hold a camera; the same edge off by as much on two rails does not pass."""
    find = setup_check.find_noses

    def displaced(rails: set[str]) -> None:
        def found(*args: Any, **options: Any) -> list[LinePoints]:
            return [
                replace(line, pixels=line.pixels + 12.0) if line.rail in rails else line
                for line in find(*args, **options)
            ]

        monkeypatch.setattr(setup_check, "find_noses", found)

    displaced({"right"})
    alone = check_setup([STILL.picture], SETUP)
    assert alone.agrees
    assert abs(alone.offset_px["right"]) > 5
    displaced({"right", "head"})
    assert not check_setup([STILL.picture], SETUP).agrees
