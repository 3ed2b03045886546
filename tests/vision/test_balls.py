"""Balls found in one frame: those of nearly the cloth's own colour too, and no shadow or blotch for a ball."""

from fractions import Fraction

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.table import STANDARD_TABLES, Vector
from tests.rendering import BLACK, RED, WHITE, YELLOW, Ball, Look, oblique_camera, overhead_camera
from tests.rendering.light import encode
from tests.rendering.picture import Stage, with_noise
from tests.rendering.scene import Colour
from tests.vision.outlines.test_outline import YUV_OF_RGB
from vision.background import Background, Picture, _paint_over, learn_background
from vision.balls import BallFinder
from vision.colours import colour_name
from vision.faint.faint_outlines import FAINT_SUPPORT, LIGHT_SD, LIGHT_SUPPORT
from vision.film.clip import Frame
from vision.outlines.outline import BallView, fit_outline
from vision.table_view import Expected

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(1280, 720))
GREEN = (20, 110, 60)
DIM = Look(light=0.4)
BY_SHADOW = (1.2, 0.5)
PLACES = {"cue": (0.6, 0.4), "green": (1.4, 0.8), "red": (2.0, 0.3)}


def frame_of(picture: Picture, k: int) -> Frame:
    yuv = picture[:, :, ::-1] @ YUV_OF_RGB.T + (16, 128, 128)
    height, width = picture.shape[:2]
    halves = yuv.reshape(height // 2, 2, width // 2, 2, 3).mean(axis=(1, 3))
    planes = [np.rint(plane).astype(np.uint8) for plane in (yuv[..., 0], halves[..., 1], halves[..., 2])]
    return Frame(k, Fraction(1, 30), planes[0], planes[1], planes[2])


def taken(look: Look, balls: list[Ball], count: int, seed: int = 0, camera: Camera = CAMERA) -> list[Frame]:
    """Frames of balls at rest, with noise."""
    stage = Stage.build(camera, TABLE, look)
    levels = stage.empty().copy()
    for ball in balls:
        box = stage.box(ball)
        assert box is not None
        left, top, right, bottom = box
        levels[top:bottom, left:right] = encode(stage.patch([ball], box))
    random = np.random.default_rng(seed)
    return [frame_of(with_noise(levels, 1.5, random), k) for k in range(count)]


@pytest.fixture(scope="module")
def dim_table() -> Background:
    return learn_background(taken(DIM, [], 3), CAMERA, TABLE)


def test_green_ball_on_a_dim_green_cloth(dim_table: Background) -> None:
    colours = {"cue": WHITE, "green": GREEN, "red": RED}
    balls = [Ball(*place, colours[name]) for name, place in PLACES.items()]
    seen = BallFinder(dim_table, CAMERA, TABLE).find(taken(DIM, balls, 1, seed=3)[0], [])
    assert len(seen.balls) == 3
    for place in PLACES.values():
        nearest = min(seen.balls, key=lambda view: float(np.hypot(*(view.at_m - place))))
        assert nearest.at_m == pytest.approx(place, abs=0.002)


@pytest.mark.parametrize("light", [0.08, 0.04])
def test_balls_of_a_dark_film_are_found_in_their_colours(light: float) -> None:
    """White, yellow and red, at a small part of an ordinary lamp's light; the colours are those of a lighter film."""
    balls = [Ball(*PLACES["cue"], WHITE), Ball(*PLACES["green"], YELLOW), Ball(*PLACES["red"], RED)]
    dark = taken(Look(light=light), balls, 3)
    seen = BallFinder(learn_background(dark, CAMERA, TABLE), CAMERA, TABLE).find(dark[0], [])
    found = {colour_name(view.colour): view.at_m for view in seen.balls}
    assert found == {
        "white": pytest.approx(PLACES["cue"], abs=0.002),
        "yellow": pytest.approx(PLACES["green"], abs=0.002),
        "red": pytest.approx(PLACES["red"], abs=0.002),
    }


def test_ball_that_always_lay_there_is_no_cloth() -> None:
    """Even one of the cloth's own colour is painted out of the empty table."""
    lying = taken(DIM, [Ball(*PLACES["green"], GREEN)], 3)
    seen = BallFinder(learn_background(lying, CAMERA, TABLE), CAMERA, TABLE).find(lying[0], [])
    assert [view.at_m for view in seen.balls] == [pytest.approx(PLACES["green"], abs=0.002)]


@pytest.mark.parametrize("cloth", [(52, 56, 60), (62, 134, 84)])
def test_near_and_far_balls_seen_from_the_side_are_no_cloth(cloth: Colour) -> None:
    """Near the camera a ball and its shadow are half as large again as at the far end."""
    camera = oblique_camera(TABLE, height_m=2.2, behind_m=0.8, focal_px=560.0)
    look = Look(cloth=cloth, light=0.8, lamp_m=(-0.3, -0.3, 1.1))
    places = [(0.3, 1.0), (0.55, 0.2), (1.4, 0.4), (2.3, 0.9)]
    colours = (RED, YELLOW, WHITE, RED)
    balls = [Ball(*place, colour) for place, colour in zip(places, colours, strict=True)]
    lying = taken(look, balls, 3, 0, camera)
    seen = BallFinder(learn_background(lying, camera, TABLE), camera, TABLE).find(lying[0], [])
    found = sorted(tuple(view.at_m) for view in seen.balls)
    assert np.array(found) == pytest.approx(np.array(places), abs=0.004)


@pytest.mark.parametrize("size", [(960, 540), (1280, 720)])
def test_balls_that_always_lay_by_a_rail_or_a_pocket_are_no_cloth(size: tuple[int, int]) -> None:
    """From the side the shadow under the nose touches a ball in the far corner, four pixels across, or by a rail."""
    camera = oblique_camera(TABLE, size=size)
    dressed = {(2.452, 0.088): RED, (1.9, 1.2415): YELLOW, (0.9, 0.0285): RED, (2.5115, 0.7): WHITE}
    balls = [Ball(*place, colour) for place, colour in dressed.items()]
    lying = taken(Look(), balls, 3, 0, camera)
    seen = BallFinder(learn_background(lying, camera, TABLE), camera, TABLE).find(lying[0], [])
    found = sorted(tuple(view.at_m) for view in seen.balls)
    assert np.array(found) == pytest.approx(np.array(sorted(dressed)), abs=0.008)


def test_a_table_seen_from_the_side_without_balls_has_none() -> None:
    camera = oblique_camera(TABLE, size=(960, 540))
    empty = taken(Look(), [], 3, 0, camera)
    assert BallFinder(learn_background(empty, camera, TABLE), camera, TABLE).find(empty[0], []).balls == ()


def test_soft_shadow_is_no_ball(dim_table: Background) -> None:
    """As dark as the dim green ball and as large, but its edge is soft."""
    picture = with_noise(Stage.build(CAMERA, TABLE, DIM).empty(), 1.5, np.random.default_rng(5))
    at = CAMERA.project(np.array([[1.4, 0.8, 0.0]]))[0]
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    shade = 1 - 0.3 * np.exp(-(((x - at[0]) ** 2 + (y - at[1]) ** 2) / 12.0**2))
    dark = np.clip(picture * shade[..., None], 0, 255).astype(np.uint8)
    assert BallFinder(dim_table, CAMERA, TABLE).find(frame_of(dark, 0), []).balls == ()


def test_dim_light_that_comes_and_goes_is_no_ball(dim_table: Background) -> None:
    picture = with_noise(Stage.build(CAMERA, TABLE, DIM).empty(), 1.5, np.random.default_rng(6))
    for gain in (0.85, 0.93, 1.07, 1.15):
        changed = cv2.convertScaleAbs(picture, alpha=gain)
        assert BallFinder(dim_table, CAMERA, TABLE).find(frame_of(changed, 0), []).balls == ()


@pytest.mark.parametrize("cloth", [(62, 134, 84), (92, 62, 122)])
def test_stripes_whose_bands_are_of_the_cloths_colour(cloth: Colour) -> None:
    """Their white shows in one part or two, or as a smaller ball; they are found whichever way they lie."""
    look = Look(cloth=cloth, lamp_m=(0.4, -0.3, 1.6))
    places = [(0.6, 0.4), (1.1, 0.9), (1.4, 0.3), (1.9, 0.8), (2.2, 0.5)]
    turns = [cv2.Rodrigues(np.random.default_rng(k).uniform(-2, 2, 3))[0] for k in range(len(places))]
    balls = [Ball(*place, cloth, "stripe", turn) for place, turn in zip(places, turns, strict=True)]
    empty = learn_background(taken(look, [Ball(0.2, 0.2, WHITE)], 3), CAMERA, TABLE)
    seen = BallFinder(empty, CAMERA, TABLE).find(taken(look, balls, 1, seed=7)[0], [])
    found = sorted(tuple(view.at_m) for view in seen.balls)
    assert np.array(found) == pytest.approx(np.array(places), abs=0.003)


def test_bright_things_that_are_no_balls(dim_table: Background) -> None:
    """A cube of chalk's label, the end of a stick and a strip of paper, smaller or longer than a ball."""
    picture = with_noise(Stage.build(CAMERA, TABLE, DIM).empty(), 1.5, np.random.default_rng(8))
    for (x, y), (long, wide) in {(1.0, 0.4): (0.02, 0.02), (1.5, 0.9): (0.3, 0.012), (2.0, 0.5): (0.12, 0.05)}.items():
        corners = np.array([(x, y, 0.0), (x + long, y, 0.0), (x + long, y + wide, 0.0), (x, y + wide, 0.0)])
        cv2.fillPoly(picture, [np.rint(CAMERA.project(corners)).astype(np.int32)], (220, 220, 220), cv2.LINE_AA)
    assert BallFinder(dim_table, CAMERA, TABLE).find(frame_of(picture, 0), []).balls == ()


def test_black_ball_is_one_ball(dim_table: Background) -> None:
    seen = BallFinder(dim_table, CAMERA, TABLE).find(taken(DIM, [Ball(1.2, 0.5, BLACK)], 1, seed=4)[0], [])
    assert len(seen.balls) == 1


@pytest.fixture(scope="module")
def beside_a_shadow() -> Frame:
    """A red ball, and a deep shadow on one side of it: one long blob."""
    picture = with_noise(Stage.build(CAMERA, TABLE, DIM).still([Ball(*BY_SHADOW, RED)]), 1.5, np.random.default_rng(8))
    u, v = CAMERA.project(np.array([[*BY_SHADOW, 0.0]]))[0]
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    off = ((x - u - 12) / 14) ** 2 + ((y - v - 4) / 8) ** 2
    shade = np.where(np.hypot(x - u, y - v) > 8.5, 1 - 0.6 / (1 + np.exp(np.clip(8 * (off - 1), -30, 30))), 1.0)
    return frame_of(np.clip(picture * shade[..., None], 0, 255).astype(np.uint8), 0)


GREY = np.array([90.0, 128.0, 128.0])
MISSED = Expected(np.array([0.2, 0.2]), GREY, None)
LAY_HERE = Expected(np.add(BY_SHADOW, 0.003), GREY, None, at_rest=True)


@pytest.mark.parametrize(
    ("expected", "smeared"),
    [([], False), ([MISSED, LAY_HERE], False), ([MISSED], True)],
    ids=["put there", "lay there", "may be on its way"],
)
def test_a_long_shadow_is_no_smear_of_a_ball_that_lies(
    dim_table: Background,
    beside_a_shadow: Frame,
    monkeypatch: pytest.MonkeyPatch,
    expected: list[Expected],
    smeared: bool,
) -> None:
    smears = []

    def noted(frame: Frame, plane: BallPlane, guess_m: Vector, smear_m: float = 0.0, **how: bool) -> BallView | None:
        smears.append(smear_m)
        return fit_outline(frame, plane, guess_m, smear_m, **how)

    monkeypatch.setattr("vision.ball_fit.fit_outline", noted)
    (view,) = BallFinder(dim_table, CAMERA, TABLE).find(beside_a_shadow, expected).balls
    assert view.at_m == pytest.approx(BY_SHADOW, abs=0.0015)
    assert (max(smears) > 0) == smeared


def purple_cloth(darker: NDArray[np.float64], bluer: float) -> Frame:
    """A cloth without light and shade but where a share (h, w) of something is ``darker``, and ``bluer`` by so much."""
    random = np.random.default_rng(4)
    height, width = darker.shape
    luma = 79 - 10 * darker + random.normal(0, 0.7, (height, width))
    small = darker.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))
    planes = [luma, 148 + bluer * small, 136 + bluer * small / 2]
    return Frame(0, Fraction(1, 30), *(np.rint(plane).astype(np.uint8) for plane in planes))


def test_ball_of_the_cloths_own_hue_shows_by_its_light() -> None:
    """A little darker and bluer than a purple cloth: by its hue hardly an edge is seen. A soft shadow has none."""
    plane, at = BallPlane(CAMERA, TABLE.ball_radius_m), np.array((1.4, 0.8))
    centre, radius = plane.pixel(at), float(plane.radii_px(at[None])[0])
    y, x = np.mgrid[: CAMERA.height, : CAMERA.width]
    away = np.hypot(x - centre[0], y - centre[1]) / radius
    ball = purple_cloth(np.clip((1 - away) * radius + 0.5, 0, 1), 4.0)
    by_hue, by_light = fit_outline(ball, plane, at + 0.004), fit_outline(ball, plane, at + 0.004, by_light=True)
    assert by_hue is not None
    assert by_light is not None
    assert by_hue.support < FAINT_SUPPORT
    assert by_light.support > LIGHT_SUPPORT
    assert by_light.sd_m < LIGHT_SD * TABLE.ball_radius_m
    assert by_light.at_m == pytest.approx(at, abs=3 * by_light.sd_m)
    shadow = fit_outline(purple_cloth(3 * np.exp(-(away**2)), -2.0), plane, at, by_light=True)
    assert shadow is None or shadow.support < LIGHT_SUPPORT


@pytest.mark.parametrize("cloth", [56, 120])
def test_pocket_of_a_dark_cloth_is_no_ball_that_lay_there(cloth: int) -> None:
    """It is not quite black in a picture; nor is a ball that lies elsewhere, over which the cloth is painted."""
    picture = np.full((60, 90, 3), (cloth, 123, 118), np.uint8)
    at_throat, on_cloth = (slice(10, 16), slice(40, 46)), (slice(30, 36), slice(40, 46))
    picture[at_throat][..., 0] = picture[on_cloth][..., 0] = 30
    painted = _paint_over(
        picture,
        np.full((60, 90), 255, np.uint8),
        np.array([(43.0, 11.0)]),
        lambda at: np.full(len(at), 3.0),
        lambda _: None,
    )
    assert (painted[at_throat][..., 0] == 30).all()
    assert abs(painted[on_cloth][..., 0].astype(int) - cloth).max() < 5
