"""The outline of a ball: published closed forms, rays against the sphere, the way there and back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.sphere import ball_centre_on_plane_m, outline_centre_px, outline_ellipse, outline_px
from calibration.table import STANDARD_TABLES
from tests.rendering import oblique_camera, overhead_camera
from tests.rendering.balls import meet
from tests.rendering.view import pixel_rays

RADIUS_M = 0.028575
TABLE = STANDARD_TABLES["9ft"]
places = st.tuples(st.floats(0.03, 2.51), st.floats(0.03, 1.24))


# Worked values recomputed from the published closed forms ("Correcting the eccentricity error of projected spherical
# objects in perspective cameras", Remote Sensing 13(16), 3269, 2021; "Projected location of the centre of a circle
# and a sphere", ISPRS Annals 2016) for R = 28.575 mm, f = 1000 px.
@pytest.mark.parametrize(
    ("centre", "offset", "radial", "tangential"),
    [((0.9, 0.0, 2.4), 0.05317, 12.71689, 11.90709), ((1.2, 0.5, 2.0), 0.13271, 17.04276, 14.28896)],
)
def test_ellipse_agrees_with_published_closed_forms(
    centre: tuple[float, float, float], offset: float, radial: float, tangential: float
) -> None:
    ellipse = outline_ellipse(1000, np.array(centre), RADIUS_M)
    assert np.hypot(*ellipse.offset_px) == pytest.approx(offset, abs=5e-6)
    assert ellipse.offset_px @ ellipse.sphere_centre_px > 0  # outwards
    assert ellipse.semi_radial_px == pytest.approx(radial, abs=5e-6)
    assert ellipse.semi_tangential_px == pytest.approx(tangential, abs=5e-6)


def test_published_centres() -> None:
    ellipse = outline_ellipse(1000, np.array([0.9, 0, 2.4]), RADIUS_M)
    assert ellipse.centre_px == pytest.approx([375.0532, 0], abs=5e-5)
    assert ellipse.sphere_centre_px == pytest.approx([375, 0], abs=1e-9)


@given(st.tuples(st.floats(-1.5, 1.5), st.floats(-1.0, 1.0), st.floats(1.0, 4.0)))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_ellipse_satisfies_the_tangent_cone(centre: tuple[float, float, float]) -> None:
    """Every point of the ellipse is a ray that touches the sphere: (S.x)^2 = (|S|^2 - R^2)|x|^2."""
    ellipse = outline_ellipse(1000, np.array(centre), RADIUS_M)
    turn = np.linspace(0, 2 * np.pi, 12)
    along = np.array([np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)])
    side = np.array([-along[1], along[0]])
    outline = ellipse.centre_px + np.outer(ellipse.semi_radial_px * np.cos(turn), along)
    outline = outline + np.outer(ellipse.semi_tangential_px * np.sin(turn), side)
    rays = np.column_stack([outline / 1000, np.ones(len(outline))])
    s = np.array(centre)
    assert (rays @ s) ** 2 == pytest.approx((s @ s - RADIUS_M**2) * (rays**2).sum(axis=1), rel=1e-12)


def test_ball_on_the_axis_is_a_circle() -> None:
    ellipse = outline_ellipse(800, np.array([0, 0, 2.0]), 0.05)
    assert ellipse.offset_px == pytest.approx([0, 0])
    assert ellipse.semi_radial_px == pytest.approx(ellipse.semi_tangential_px)
    # Half angle asin(R/D): tan is R / sqrt(D^2 - R^2).
    assert ellipse.semi_radial_px == pytest.approx(800 * 0.05 / np.sqrt(4 - 0.0025))


@pytest.mark.parametrize("centre", [(0, 0, 0.01), (0, 0, -2.0), (2.0, 0, 0.02), (0, 0, 0)])
def test_no_outline_without_a_ball_in_front(centre: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="front of the camera"):
        outline_ellipse(1000, np.array(centre, dtype=float), RADIUS_M)


@pytest.mark.parametrize("camera", [overhead_camera(TABLE), oblique_camera(TABLE)], ids=["above", "oblique"])
@pytest.mark.parametrize("place", [(0.1, 0.1), (1.3, 0.6), (2.4, 1.2)])
def test_outline_pixels_lie_between_hit_and_miss(camera, place: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    """Rays a hair inside the outline meet the sphere, a hair outside pass it; the lens is undone independently."""
    centre = np.array([*place, RADIUS_M])
    outline = outline_px(camera, centre, RADIUS_M)
    middle = outline.mean(axis=0)
    for share, hits in ((1 - 1e-4, True), (1 + 1e-4, False)):
        rays = pixel_rays(camera, middle + share * (outline - middle))
        assert (np.isfinite(meet(camera.position_m, rays, centre, RADIUS_M)) == hits).all()


@pytest.mark.parametrize("camera", [overhead_camera(TABLE), oblique_camera(TABLE)], ids=["above", "oblique"])
def test_outline_centre_is_the_middle_of_the_outline(camera) -> None:  # type: ignore[no-untyped-def]
    centres = np.array([(0.1, 0.1, RADIUS_M), (1.3, 0.6, RADIUS_M), (2.4, 1.2, RADIUS_M)])
    quick = outline_centre_px(camera, centres, RADIUS_M)
    for centre, found in zip(centres, quick, strict=True):
        outline = outline_px(camera, centre, RADIUS_M, 720)
        x, y = (outline - outline.mean(axis=0)).T
        cross = x * np.roll(y, -1) - np.roll(x, -1) * y
        area_centre = np.array([((c + np.roll(c, -1)) * cross).sum() for c in (x, y)]) / (3 * cross.sum())
        assert found == pytest.approx(outline.mean(axis=0) + area_centre, abs=0.01)


@given(places, st.sampled_from(["above", "oblique"]))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_ball_centre_comes_back(place: tuple[float, float], view: str) -> None:
    camera = overhead_camera(TABLE) if view == "above" else oblique_camera(TABLE)
    seen = outline_centre_px(camera, np.array([[*place, RADIUS_M]]), RADIUS_M)
    assert ball_centre_on_plane_m(camera, seen, RADIUS_M, RADIUS_M)[0] == pytest.approx(place, abs=1e-7)
