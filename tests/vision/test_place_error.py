"""Errors that do not show in the scatter of sightings: sizes, directions, and nothing from a camera that knows none."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import Camera
from calibration.table import STANDARD_TABLES, Vector
from tests.rendering import oblique_camera, overhead_camera
from vision.place_error import SLANT_SD_PX, WAY_SLANT_SD_PX, PlaceError, along_sd_m
from vision.sightings import Rest

TABLE = STANDARD_TABLES["9ft"]
CENTRE = TABLE.centre_m
ALONG, ACROSS = np.eye(2)
PULL_PX = 0.05
LYING = Rest(CENTRE, 0.0, 0.0, 1.0, 40, pull_px=PULL_PX)


def away_from(camera: Camera) -> tuple[Vector, Vector, float]:
    """Away from the camera and across, (2,) each, at the table's centre, and the slant of the view there."""
    reach_m = CENTRE - camera.position_m[:2]
    away = reach_m / np.linalg.norm(reach_m)
    slant = np.linalg.norm(reach_m) / np.hypot(camera.position_m[2] - TABLE.ball_radius_m, np.linalg.norm(reach_m))
    return away, np.array([-away[1], away[0]]), float(slant)


def test_straight_down_the_outline_counts_alike_in_all_directions() -> None:
    camera = overhead_camera(TABLE)
    errors = PlaceError(camera, TABLE)
    expected = PULL_PX * camera.mm_per_px(TABLE) / 1000
    for direction in (ALONG, ACROSS, (ALONG + ACROSS) / np.sqrt(2)):
        assert along_sd_m(errors.lying_m2(LYING), direction) == pytest.approx(expected, rel=0.1)
        assert along_sd_m(errors.way_covariance_m2(CENTRE, PULL_PX), direction) == pytest.approx(expected, rel=0.1)
    assert errors.outline_sd_m(LYING) == pytest.approx(expected, rel=0.1)


def test_ball_that_stands_out_less_is_less_sure() -> None:
    errors = PlaceError(overhead_camera(TABLE), TABLE)
    faint = replace(LYING, pull_px=4 * PULL_PX)
    assert errors.resting_sd_m(faint) == pytest.approx(4 * errors.resting_sd_m(LYING), rel=0.05)


@pytest.mark.parametrize("slant_px", [SLANT_SD_PX, WAY_SLANT_SD_PX])
def test_slanting_view_is_unsure_away_from_the_camera_alone(slant_px: float) -> None:
    camera = oblique_camera(TABLE)
    away, across, slant = away_from(camera)
    # Seen from so far, a pixel across the view is the distance over the focal length, and more away from the camera.
    height_m = camera.position_m[2] - TABLE.ball_radius_m
    steep = np.sqrt(1 - slant**2)
    pixel_m = height_m / steep / camera.focal_px
    found = PlaceError(camera, TABLE).outline_covariance_m2(CENTRE, PULL_PX, slant_px)
    assert along_sd_m(found, across) == pytest.approx(PULL_PX * pixel_m, rel=0.1)
    assert along_sd_m(found, away) == pytest.approx(np.hypot(PULL_PX, slant_px * slant) * pixel_m / steep, rel=0.1)


def test_ball_under_way_is_pulled_farther_from_the_camera_than_one_at_rest() -> None:
    camera = oblique_camera(TABLE)
    errors = PlaceError(camera, TABLE)
    away, across, _ = away_from(camera)
    lying, under_way = errors.lying_m2(LYING), errors.way_covariance_m2(CENTRE, PULL_PX)
    assert along_sd_m(under_way, away) > 1.2 * along_sd_m(lying, away)
    assert along_sd_m(under_way, across) == pytest.approx(along_sd_m(lying, across), rel=1e-6)
    # A start has one standard deviation for both coordinates.
    both = np.hypot(along_sd_m(lying, away), along_sd_m(lying, across))
    assert errors.resting_sd_m(LYING) == pytest.approx(both / np.sqrt(2))


def test_right_below_the_camera_nothing_slants() -> None:
    camera = overhead_camera(TABLE, aside_m=(0.0, 0.0), roll_deg=0.0)
    below = replace(LYING, at_m=camera.position_m[:2])
    found = PlaceError(camera, TABLE).lying_m2(below)
    assert along_sd_m(found, ALONG) == pytest.approx(along_sd_m(found, ACROSS), rel=0.01)


def test_registration_is_added() -> None:
    camera = overhead_camera(TABLE)
    covariance = np.zeros_like(camera.covariance)
    covariance[8, 8] = 0.002**2  # Two millimetres along the table, of the camera and so of all that it sees.
    moved = PlaceError(replace(camera, covariance=covariance), TABLE)
    still = PlaceError(replace(camera, covariance=np.full_like(covariance, np.nan)), TABLE)
    added = moved.way_covariance_m2(CENTRE, PULL_PX) - still.way_covariance_m2(CENTRE, PULL_PX)
    assert added[0, 0] == pytest.approx(4e-6, rel=0.01)
    assert added[1, 1] == pytest.approx(0.0, abs=4e-8)
    assert still.resting_sd_m(LYING) == pytest.approx(still.outline_sd_m(LYING))
    # Either coordinate: the root mean square of the two.
    assert moved.resting_sd_m(LYING) == pytest.approx(np.hypot(0.002 / np.sqrt(2), still.resting_sd_m(LYING)), rel=0.01)


def test_what_views_state_is_added() -> None:
    errors = PlaceError(overhead_camera(TABLE), TABLE)
    outline_sd_m = errors.outline_sd_m(LYING)
    for times in (3.0, 1 / 9):
        stated = errors.resting_sd_m(replace(LYING, sd_m=times * outline_sd_m))
        assert stated == pytest.approx(np.hypot(times, 1) * outline_sd_m)
