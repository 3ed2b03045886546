"""Errors that do not show in the scatter of sightings: sizes, directions, and nothing from a camera that knows none."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.rendering import oblique_camera, overhead_camera
from vision.place_error import OUTLINE_SD_PX, SLANT_SD_PX, PlaceError

TABLE = STANDARD_TABLES["9ft"]
CENTRE = TABLE.centre_m
ALONG, ACROSS = np.eye(2)


def test_straight_down_the_outline_counts_alike_in_all_directions() -> None:
    camera = overhead_camera(TABLE)
    errors = PlaceError(camera, TABLE)
    expected = OUTLINE_SD_PX * camera.mm_per_px(TABLE) / 1000
    for direction in (ALONG, ACROSS, (ALONG + ACROSS) / np.sqrt(2)):
        assert errors.along_sd_m(CENTRE, direction) == pytest.approx(expected, rel=0.1)
    assert errors.outline_sd_m(CENTRE) == pytest.approx(expected, rel=0.1)


def test_slanting_view_is_unsure_away_from_the_camera_alone() -> None:
    camera = oblique_camera(TABLE)
    errors = PlaceError(camera, TABLE)
    reach_m = CENTRE - camera.position_m[:2]
    away = reach_m / np.linalg.norm(reach_m)
    across = np.array([-away[1], away[0]])
    # Seen from so far, a pixel across the view is the distance over the focal length, and more away from the camera.
    height_m = camera.position_m[2] - TABLE.ball_radius_m
    far_m = float(np.hypot(height_m, np.linalg.norm(reach_m)))
    pixel_m, steep, slant = far_m / camera.focal_px, height_m / far_m, np.linalg.norm(reach_m) / far_m
    assert errors.outline_along_sd_m(CENTRE, across) == pytest.approx(OUTLINE_SD_PX * pixel_m, rel=0.1)
    expected = np.hypot(OUTLINE_SD_PX, SLANT_SD_PX * slant) * pixel_m / steep
    assert errors.outline_along_sd_m(CENTRE, away) == pytest.approx(expected, rel=0.1)
    both = np.hypot(errors.along_sd_m(CENTRE, away), errors.along_sd_m(CENTRE, across))
    assert errors.resting_sd_m(CENTRE, 0.0) == pytest.approx(both / np.sqrt(2))


def test_right_below_the_camera_nothing_slants() -> None:
    camera = overhead_camera(TABLE, aside_m=(0.0, 0.0), roll_deg=0.0)
    errors = PlaceError(camera, TABLE)
    below = camera.position_m[:2]
    assert errors.outline_along_sd_m(below, ALONG) == pytest.approx(errors.outline_along_sd_m(below, ACROSS), rel=0.01)


def test_registration_is_added() -> None:
    camera = overhead_camera(TABLE)
    covariance = np.zeros_like(camera.covariance)
    covariance[8, 8] = 0.002**2  # Two millimetres along the table, of the camera and so of all that it sees.
    moved = PlaceError(replace(camera, covariance=covariance), TABLE)
    still = PlaceError(replace(camera, covariance=np.full_like(covariance, np.nan)), TABLE)
    assert moved.along_sd_m(CENTRE, ALONG) ** 2 - still.along_sd_m(CENTRE, ALONG) ** 2 == pytest.approx(4e-6, rel=0.01)
    assert moved.along_sd_m(CENTRE, ACROSS) == pytest.approx(still.along_sd_m(CENTRE, ACROSS), rel=0.01)
    assert still.resting_sd_m(CENTRE, 0.0) == pytest.approx(still.outline_sd_m(CENTRE))


def test_what_views_state_is_added() -> None:
    errors = PlaceError(overhead_camera(TABLE), TABLE)
    outline_sd_m = errors.outline_sd_m(CENTRE)
    assert errors.resting_sd_m(CENTRE, 3 * outline_sd_m) == pytest.approx(np.hypot(3, 1) * outline_sd_m)
    assert errors.resting_sd_m(CENTRE, outline_sd_m / 9) == pytest.approx(outline_sd_m, rel=0.01)
