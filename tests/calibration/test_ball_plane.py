"""The plane of ball centres looked up from a table: against the camera's own way, which solves for the lens."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.table import STANDARD_TABLES
from tests.rendering import oblique_camera, overhead_camera

TABLE = STANDARD_TABLES["9ft"]
RADIUS_M = TABLE.ball_radius_m
VIEWS = {"from above": overhead_camera(TABLE), "from an angle": oblique_camera(TABLE)}
LENSES = [(0.0, 0.0), (-0.12, 0.02), (0.08, 0.01), (-0.2, 0.04)]


def places() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0.0, TABLE.length_m, 9), np.linspace(0.0, TABLE.width_m, 7))
    return np.column_stack([x.ravel(), y.ravel()])


@pytest.mark.parametrize("lens", LENSES)
@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS.keys())
def test_places_are_those_of_the_camera(view: Camera, lens: tuple[float, float]) -> None:
    camera = replace(view, k1=lens[0], k2=lens[1])
    plane = BallPlane(camera, RADIUS_M)
    pixels = np.random.default_rng(1).uniform((0, 0), (camera.width, camera.height), (200, 2))
    assert plane.places_m(pixels) == pytest.approx(camera.to_plane(pixels, RADIUS_M), abs=1e-6, nan_ok=True)
    seen = np.array([plane.pixel(at) for at in places()])
    assert plane.places_m(seen) == pytest.approx(places(), abs=1e-6)


@pytest.mark.parametrize("lens", LENSES)
@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS.keys())
def test_points_are_seen_where_the_camera_shows_them(view: Camera, lens: tuple[float, float]) -> None:
    camera = replace(view, k1=lens[0], k2=lens[1])
    points = np.column_stack([places(), np.random.default_rng(2).uniform(0.0, 0.2, len(places()))])
    behind = camera.position_m - 0.3 * camera.rotation[2]
    points = np.vstack([points, behind])
    seen = BallPlane(camera, RADIUS_M).pixels(points)
    assert seen == pytest.approx(camera.project(points), abs=1e-9, nan_ok=True)
    assert np.isnan(seen[-1]).all()
    assert np.isfinite(seen[:-1]).all()


def test_pixel_above_the_horizon_has_no_place() -> None:
    level = replace(VIEWS["from an angle"], rotation=np.array([[0.0, -1, 0], [0, 0, -1], [1, 0, 0]]))
    above, below = BallPlane(level, RADIUS_M).places_m(np.array([[960.0, 10.0], [960.0, 1000.0]]))
    assert np.isnan(above).all()
    assert np.isfinite(below).all()


def test_radius_is_focal_length_over_distance() -> None:
    camera = VIEWS["from above"]
    below = camera.position_m[:2]
    expected = camera.focal_px * RADIUS_M / (camera.position_m[2] - RADIUS_M)
    plane = BallPlane(camera, RADIUS_M)
    assert plane.radii_px(below[None]) == pytest.approx([expected])
    assert [plane.radius_px(at) for at in places()] == pytest.approx(plane.radii_px(places()).tolist())
