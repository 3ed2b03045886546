"""Solid balls of nearly the cloth's own colour: found where they lie, as surely as stated, and nothing else for one."""

from collections.abc import Sequence

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from tests.rendering import WHITE, Ball, Look, oblique_camera, overhead_camera
from tests.rendering.picture import Stage, with_noise
from tests.rendering.scene import Colour
from tests.vision.test_balls import TABLE, frame_of, taken
from vision.background import learn_background
from vision.balls import BallFinder
from vision.faint.lit_ball import ATOMS, LAMPS, ball_geometry, lit
from vision.film.clip import Frame
from vision.outlines.outline import BallView
from vision.tracks import Tracker

OVERHEAD, OBLIQUE = overhead_camera(TABLE, size=(1280, 720)), oblique_camera(TABLE, size=(1280, 720))
CUE = (0.4, 0.3)
PLACES = [(0.9, 0.8), (1.5, 0.4), (1.9, 0.9)]


def shade_of(cloth: Colour, light: float) -> Colour:
    """A ball's colour that gives back so much more light than the cloth."""
    red, green, blue = (min(level * light ** (1 / 2.2), 255.0) for level in cloth)
    return red, green, blue


def lit_film(look: Look, camera: Camera, balls: Sequence[Ball]) -> tuple[BallFinder, list[Frame]]:
    """A finder that knows the empty table, and looks at it without and with balls."""
    cue = Ball(*CUE, WHITE)
    empty = taken(look, [cue], 4, 1, camera)
    return BallFinder(learn_background(empty, camera, TABLE), camera, TABLE), taken(look, [cue, *balls], 30, 2, camera)


def seen_at_rest(finder: BallFinder, frames: Sequence[Frame]) -> list[BallView]:
    """What is seen at last, but for the cue ball."""
    tracker = Tracker(finder.plane, TABLE)
    for frame in frames:
        seen = finder.find(frame, tracker.expected(frame.time_s))
        tracker.update(seen)
    return [view for view in seen.balls if np.hypot(*(view.at_m - CUE)) > 0.02]


@pytest.mark.parametrize("camera", [OVERHEAD, OBLIQUE], ids=["from above", "from the side"])
@pytest.mark.parametrize("cloth", [(62, 134, 84), (126, 52, 56)], ids=["green", "red"])
def test_balls_of_the_cloths_colour_are_placed_as_surely_as_stated(cloth: Colour, camera: Camera) -> None:
    look = Look(cloth=cloth, lamp_m=(0.4, -0.3, 1.5))
    balls = [Ball(*at, shade_of(cloth, light)) for at, light in zip(PLACES, (0.7, 1.0, 1.2), strict=True)]
    views = sorted(seen_at_rest(*lit_film(look, camera, balls)), key=lambda view: float(view.at_m[0]))
    assert len(views) == len(PLACES)
    off = np.array([np.hypot(*(view.at_m - at)) for view, at in zip(views, PLACES, strict=True)])
    assert off.max() < 0.004
    assert (off / [view.sd_m for view in views]).max() < 3.5


def test_a_ball_of_the_cloths_colour_that_is_taken_away_is_not_seen_any_more() -> None:
    look = Look(lamp_m=(0.4, -0.3, 1.5))
    finder, frames = lit_film(look, OVERHEAD, [Ball(*PLACES[0], look.cloth)])
    without = taken(look, [Ball(*CUE, WHITE)], 4, 3)
    tracker = Tracker(finder.plane, TABLE)
    for frame in frames:
        tracker.update(finder.find(frame, tracker.expected(frame.time_s)))
    assert any(track.resting and np.hypot(*(track.at_m - PLACES[0])) < 0.004 for track in tracker.tracks)
    left = finder.find(frame_later(without[0], len(frames)), tracker.expected(len(frames) / 30))
    assert all(np.hypot(*(view.at_m - PLACES[0])) > 0.05 for view in left.balls)


def frame_later(frame: Frame, k: int) -> Frame:
    return Frame(k, frame.time_base, frame.y, frame.u, frame.v)


@pytest.mark.parametrize("camera", [OVERHEAD, OBLIQUE], ids=["from above", "from the side"])
def test_stains_and_shadows_that_stay_are_no_balls(camera: Camera) -> None:
    """Larger or smaller than a ball, or as large with a soft edge; darker or lighter; look after look."""
    look = Look(lamp_m=(0.4, -0.3, 1.5))
    finder, _ = lit_film(look, camera, [])
    empty = Stage.build(camera, TABLE, look).still([Ball(*CUE, WHITE)])
    y, x = np.mgrid[: empty.shape[0], : empty.shape[1]]
    share = np.ones(x.shape)
    for at, depth, size, edge in ((PLACES[0], 0.25, 1.0, 4), (PLACES[1], 0.3, 1.7, 24), (PLACES[2], -0.15, 0.6, 24)):
        u, v = camera.project(np.array([[*at, 0.0]]))[0]
        radius = float(BallPlane(camera, TABLE.ball_radius_m).radii_px(np.array([at]))[0])
        away = np.hypot(x - u, y - v) / radius
        share *= 1 - depth / (1 + np.exp(np.clip(edge * (away - size), -30, 30)))
    random = np.random.default_rng(4)
    marked = [frame_of(with_noise((empty * share[..., None]).astype(np.float32), 1.5, random), k) for k in range(20)]
    assert seen_at_rest(finder, marked) == []


def test_light_from_straight_above_lights_the_top_and_shades_what_lies_below() -> None:
    plane = BallPlane(OVERHEAD, TABLE.ball_radius_m)
    geometry = ball_geometry(plane, TABLE.centre_m)
    off = np.array([(0.0, 0.0), (0.8, 0.0), (1.05, 0.0), (2.4, 0.0)]) * geometry.radius_px
    cover, ball, shade = lit(geometry, off, 0.5)
    assert LAMPS[-1] == pytest.approx((0, 0, 1), abs=1e-6)
    assert cover[[0, 3]] == pytest.approx((1, 0))
    # Lambert: the cosine of the slope, 1 on top.
    assert ball[0, ATOMS - 1] == pytest.approx(1, abs=0.01)
    assert ball[1, ATOMS - 1] == pytest.approx(0.6, abs=0.03)
    # Beside the ball its shadow, which is gone where the sky is hardly covered.
    assert shade[2, ATOMS - 1] > 0.3
    assert shade[3, [0, ATOMS - 1]] == pytest.approx((0, 0), abs=0.12)
