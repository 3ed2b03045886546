"""The accuracy told of a camera, against cameras drawn from its covariance."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.accuracy import place_accuracy, place_sd_m
from calibration.camera import PARAMETERS, Setup
from calibration.still import draw_setup
from calibration.table import STANDARD_TABLES
from tests.rendering import oblique_camera

NINE = STANDARD_TABLES["9ft"]
EXACT = oblique_camera(NINE, size=(720, 1280), focal_px=1100.0)
# Focal length by 2 parts in a thousand, all else exact: what is far from the middle of the picture shifts most.
FOCAL_SD = 0.002
COVARIANCE = np.zeros((len(PARAMETERS), len(PARAMETERS)))
COVARIANCE[0, 0] = FOCAL_SD**2
SETUP = Setup(NINE, "bottom", replace(EXACT, covariance=COVARIANCE))


def test_the_sd_is_how_far_balls_are_misplaced() -> None:
    """The focal length is the first parameter, as a logarithm: a camera one sd off puts balls one sd off."""
    places = np.array([[0.3, 0.2], [1.27, 0.635], [2.3, 1.1]])
    pixels = EXACT.project(np.column_stack([places, np.full(3, NINE.ball_radius_m)]))
    off = replace(EXACT, focal_px=EXACT.focal_px * np.exp(FOCAL_SD))
    moved = np.linalg.norm(off.to_plane(pixels, NINE.ball_radius_m) - places, axis=1)
    assert place_sd_m(SETUP, places) == pytest.approx(moved, rel=0.02)


def test_mean_and_worst_over_the_table() -> None:
    told = place_accuracy(SETUP)
    assert told is not None
    assert told.mean_sd_m < told.worst_sd_m
    assert place_sd_m(SETUP, told.worst_at_m[None])[0] == pytest.approx(told.worst_sd_m)
    far = replace(SETUP, camera=replace(SETUP.camera, covariance=4 * COVARIANCE))
    doubled = place_accuracy(far)
    assert doubled is not None
    assert doubled.mean_sd_m == pytest.approx(2 * told.mean_sd_m)


def test_a_camera_without_a_covariance_tells_nothing() -> None:
    exact = replace(SETUP, camera=EXACT)
    assert place_accuracy(exact) is None
    assert np.isnan(place_sd_m(exact, np.array([[1.0, 0.5]]))).all()


def test_the_still_bears_the_figures() -> None:
    frame = np.full((EXACT.height, EXACT.width, 3), 90, np.uint8)
    with_figures = draw_setup(frame, SETUP)
    without = draw_setup(frame, replace(SETUP, camera=EXACT))
    u, v = np.round(EXACT.project(np.array([[NINE.length_m / 2, NINE.width_m / 2, NINE.ball_radius_m]]))[0]).astype(int)
    near = (slice(v - 12, v + 13), slice(u - 20, u + 21))
    assert (with_figures[near] != 90).any()
    assert (without[near] == 90).all()
