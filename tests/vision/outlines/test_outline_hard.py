"""Balls hard to see: of the cloth's own colour, with borders that show more than the outline, beside other things."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.rendering import BLACK, BLUE, RED, WHITE, Ball, Look, looking_at
from tests.rendering.picture import Stage
from tests.rendering.scene import Colour
from tests.vision.outlines.test_outline import PLACES_M, RADIUS_M, TABLE, Scene, guesses, rms, scene

PURPLE: Colour = (90, 40, 120)
GREEN: Colour = (20, 110, 60)
# Cloth and the ball that is hard to see on it: the band of a stripe, or all of the ball.
HIDDEN: dict[str, tuple[Colour, Colour]] = {
    "purple on purple": ((90, 50, 120), PURPLE),
    "green on green": ((20, 92, 54), GREEN),
    "maroon on red": ((130, 30, 40), (110, 25, 35)),
    "blue on blue": ((20, 60, 130), BLUE),
}
SIDE_LAMP = {"lamp_m": (0.5, 0.4, 1.0), "ambient": 0.3}


def turned(seed: int) -> NDArray[np.float64]:
    turn: NDArray[np.float64] = cv2.Rodrigues(np.random.default_rng(seed).uniform(-2, 2, 3))[0]
    return turn


@pytest.fixture(scope="module", params=HIDDEN)
def hidden(request: pytest.FixtureRequest) -> tuple[Scene, Colour]:
    cloth, colour = HIDDEN[request.param]
    return scene(Look(cloth=cloth, **SIDE_LAMP)), colour  # type: ignore[arg-type]


def errors_of(
    camera: Scene, colour: Colour, pattern: str, count: int = 10
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Errors in pixels, and in stated standard deviations, of balls turned this way and that."""
    errors, standardised = [], []
    for k in range(count):
        place = PLACES_M[k % len(PLACES_M)]
        frame = camera.frame(camera.stage.still([Ball(*place, colour, pattern, turned(k))]), 1.5, seed=k)
        view = camera.fit(frame, guesses(k)[k % len(PLACES_M)])
        errors.append(camera.error_px(view, place))
        assert view is not None
        standardised.append((view.at_m - place) / view.sd_m)
    return errors, standardised


def test_stripe_whose_band_is_of_the_cloths_colour(hidden: tuple[Scene, Colour]) -> None:
    """The white pole shows as a smaller ring; it is not taken for the ball."""
    errors, _ = errors_of(*hidden, "stripe")
    assert rms(errors) < 0.5
    assert np.abs(errors).max() < 1.0


def test_what_is_not_seen_is_not_stated(hidden: tuple[Scene, Colour]) -> None:
    """Where no more than a number's disc is seen the standard deviation says so."""
    _, stripes = errors_of(*hidden, "stripe")
    _, solids = errors_of(*hidden, "disc")
    assert rms(stripes) < 1.0
    assert 0.2 < rms(solids) < 1.0


@pytest.mark.parametrize("colour", [WHITE, RED, BLUE, BLACK], ids=["white", "red", "blue", "black"])
def test_balls_that_touch(colour: Colour) -> None:
    """Each is placed by what of its outline lies on the cloth, and where they touch is no lack of an outline."""
    camera = scene(Look(cloth=(60, 110, 180), **SIDE_LAMP))  # type: ignore[arg-type]
    errors, support = [], []
    for k in range(6):
        (x, y), turn = PLACES_M[k % len(PLACES_M)], np.random.default_rng(k).uniform(0, 2 * np.pi)
        other = (x + 2 * RADIUS_M * np.cos(turn), y + 2 * RADIUS_M * np.sin(turn))
        both = [Ball(x, y, colour, "disc", turned(k)), Ball(*other, RED if colour != RED else WHITE)]
        view = camera.fit(camera.frame(camera.stage.still(both), 1.5, seed=k), guesses(k)[k % len(PLACES_M)])
        errors.append(camera.error_px(view, (x, y)))
        assert view is not None
        support.append(view.support)
    assert rms(errors) < 0.35
    assert min(support) > 0.7


@pytest.mark.parametrize("colour", [WHITE, RED, BLUE, BLACK], ids=["white", "red", "blue", "black"])
def test_frozen_to_a_rail(colour: Colour) -> None:
    """The dark line under the nose and the rubber beyond it are no part of a ball."""
    near_rail = looking_at((1.3, 0.06, 2.8), (1.3, 0.06, 0.0), size=(240, 176), focal_px=1750.0)
    camera = Scene(Stage.build(near_rail, TABLE, Look(**SIDE_LAMP)))  # type: ignore[arg-type]
    errors = []
    for k in range(6):
        place = (1.29 + 0.004 * k, TABLE.track_offset_m)
        frame = camera.frame(camera.stage.still([Ball(*place, colour, "stripe", turned(k))]), 1.5, seed=k)
        errors.append(camera.error_px(camera.fit(frame, (place[0] + 0.004, place[1] + 0.003)), place))
    assert rms(errors) < 0.4
