"""The camera from lines: exact lines give the exact camera, noise gives the scatter that is stated, OpenCV agrees."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from calibration.camera import Camera
from calibration.camera_fit import FOCAL_OVER_LONG_SIDE, LOG_FOCAL_SD, LinePoints, fit_camera, rail_points
from calibration.table import RAILS, STANDARD_TABLES
from tests.known_stills import camera_error
from tests.rendering import oblique_camera, overhead_camera

NINE = STANDARD_TABLES["9ft"]
OBLIQUE = oblique_camera(NINE, size=(1080, 1920), focal_px=1500.0, k1=-0.05, k2=0.005)
OVERHEAD = overhead_camera(NINE, size=(1920, 1080))


def nose_points(camera: Camera, noise_px: float, random: np.random.Generator, count: int = 40) -> list[LinePoints]:
    lines = []
    for rail in RAILS:
        length = float(np.linalg.norm(np.diff(NINE.nose_segment(rail), axis=0)))
        along = np.linspace(0.12, length - 0.12, count)
        points, _ = rail_points(NINE, rail, along, 0.0, NINE.nose_height_m)
        pixels = camera.project(points) + random.normal(0, noise_px, (count, 2))
        lines.append(LinePoints("nose", rail, along, pixels, np.full(count, max(noise_px, 0.01)), 0.001, 0.0003))
    return lines


def nudged(camera: Camera, random: np.random.Generator) -> Camera:
    """A start that is off by some ten pixels."""
    step = random.normal(0, [0.03, 3, 3, 0.01, 0.002, 0.003, 0.003, 0.003, 0.01, 0.01, 0.02])
    return camera.moved(step)


def test_exact_lines_give_the_exact_camera() -> None:
    random = np.random.default_rng(4)
    fit = fit_camera(nose_points(OBLIQUE, 0.0, random), NINE, nudged(OBLIQUE, random))
    assert camera_error(fit.camera, OBLIQUE, NINE).worst_m < 0.0001
    assert fit.camera.focal_px == pytest.approx(OBLIQUE.focal_px, rel=0.003)
    assert fit.camera.k1 == pytest.approx(OBLIQUE.k1, abs=0.004)
    assert fit.camera.residual_px < 0.01
    assert fit.camera.determined == {"focal": True, "distortion": True, "centre": True, "height": True}


@pytest.mark.parametrize("view", ["oblique", "overhead"])
def test_stated_covariance_is_the_scatter_of_repeated_fits(view: str) -> None:
    """Truths drawn from the priors as well, for the covariance speaks of them too.

    Straight down that is above all the focal length: the camera is drawn higher as its lens is drawn longer.
    """
    random = np.random.default_rng(9)
    squares, turns = [], []
    for _ in range(16):
        step = np.concatenate([[0.0], random.normal(0, 8, 2), random.normal(0, [0.02, 0.005]), np.zeros(6)])
        true = OBLIQUE
        if view == "overhead":
            true = OVERHEAD
            longer = FOCAL_OVER_LONG_SIDE * true.width * np.exp(random.normal(0, LOG_FOCAL_SD)) / true.focal_px
            step[0], step[10] = np.log(longer), (longer - 1) * true.position_m[2]
        drawn = true.moved(step)
        fit = fit_camera(nose_points(drawn, 0.15, random, count=25), NINE, true)
        error = camera_error(fit.camera, drawn, NINE)
        squares.append((error.rms_m / error.stated_rms_m) ** 2)
        turns.append(error.turn_rad / error.stated_turn_rad)
    assert 0.3 < np.mean(squares) < 1.7
    assert 0.65 < np.sqrt(np.mean(np.square(turns))) < 1.4


def test_gross_errors_on_one_rail_do_little() -> None:
    """A sleeve along a fifth of a rail, 6 pixels off."""
    random = np.random.default_rng(2)
    lines = nose_points(OVERHEAD, 0.1, random)
    off = lines[2].pixels.copy()
    off[10:18, 1] += 6.0
    lines[2] = replace(lines[2], pixels=off)
    fit = fit_camera(lines, NINE, OVERHEAD)
    assert camera_error(fit.camera, OVERHEAD, NINE).worst_m < 0.0012


def test_one_long_rail_hidden_is_said_and_nothing_explodes() -> None:
    """With three noses the width must come from priors: the sd says so, and the camera stays where it was."""
    random = np.random.default_rng(5)
    lines = [line for line in nose_points(OBLIQUE, 0.1, random) if line.rail != "left"]
    full = fit_camera(nose_points(OBLIQUE, 0.1, random), NINE, OBLIQUE)
    fit = fit_camera(lines, NINE, OBLIQUE)
    error = camera_error(fit.camera, OBLIQUE, NINE)
    assert np.isfinite(fit.camera.covariance).all()
    assert error.stated_rms_m > 2 * camera_error(full.camera, OBLIQUE, NINE).stated_rms_m
    assert error.rms_m < 3 * error.stated_rms_m


def test_opencv_calibrates_the_same_camera_from_the_same_points() -> None:
    """``cv2.calibrateCamera`` on exact points of the nose lines, which for it are known points of a plane."""
    lines = nose_points(OBLIQUE, 0.0, np.random.default_rng(1))
    points = [rail_points(NINE, line.rail, line.along_m, 0.0, 0.0)[0] for line in lines]
    start = OBLIQUE.matrix.copy()
    start[0, 0] = start[1, 1] = 1400.0
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K3
    )
    _, matrix, distortion, _, _ = cv2.calibrateCamera(
        [np.concatenate(points).astype(np.float32)],
        [np.concatenate([line.pixels for line in lines]).astype(np.float32)],
        (OBLIQUE.width, OBLIQUE.height),
        start,
        np.zeros(5),
        flags=flags,
    )
    ours = fit_camera(lines, NINE, OBLIQUE).camera
    assert ours.focal_px == pytest.approx(matrix[0, 0], rel=0.004)
    assert ours.k1 == pytest.approx(distortion.ravel()[0], abs=0.004)


def test_the_homography_of_the_balls_plane_is_scikit_images() -> None:
    """Without distortion a plane maps by a homography: from four points, scikit-image's own estimate must agree."""
    camera = replace(OBLIQUE, k1=0.0, k2=0.0)
    radius = NINE.ball_radius_m
    corners = np.array([[0.1, 0.1], [2.4, 0.1], [2.4, 1.2], [0.1, 1.2]])
    to_picture = ProjectiveTransform.from_estimate(
        corners, camera.project(np.column_stack([corners, np.full(4, radius)]))
    )
    places = np.random.default_rng(3).uniform([0, 0], [2.54, 1.27], (50, 2))
    ours = camera.project(np.column_stack([places, np.full(50, radius)]))
    assert ours == pytest.approx(to_picture(places), abs=1e-6)
    assert camera.to_plane(to_picture(places), radius) == pytest.approx(places, abs=1e-8)
