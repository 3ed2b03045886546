"""Interlaced films that do not say so: told by combs, and never seen in films of one moment a picture."""

from fractions import Fraction

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.film.clip import Frame
from vision.reduced import Reduction
from vision.rhythm.woven import MOST_LOOKS, Woven, combed

WIDTH, HEIGHT, FACTOR = 320, 400, 4
WHOLE = Reduction(FACTOR, 0, 0, WIDTH, HEIGHT)


def shown(moment: float, direction: tuple[float, float], rng: np.random.Generator) -> NDArray[np.uint8]:
    """A bright ball of 12 pixels' radius, blurred and with noise, on its way by ``direction`` pixels a moment."""
    plane = np.full((HEIGHT, WIDTH), 80, np.float32)
    at = np.array([60.0, 60.0]) + moment * np.array(direction)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    plane[np.hypot(x - at[0], y - at[1]) < 12] = 220
    plane = cv2.GaussianBlur(plane, (0, 0), 0.8) + rng.normal(0, 1.5, plane.shape)
    return np.clip(np.rint(plane), 0, 255).astype(np.uint8)


def looked_at(direction: tuple[float, float], *, woven: bool, count: int = 30) -> Woven:
    rng = np.random.default_rng(11)
    told = Woven()
    none = np.zeros((HEIGHT // 2, WIDTH // 2), np.uint8)
    for k in range(count):
        y = shown(2 * k, direction, rng)
        if woven:
            y[1::2] = shown(2 * k + 1, direction, rng)[1::2]
        frame = Frame(k, Fraction(1, 30), y, none, none)
        if told.learning:
            told.take(frame, WHOLE.luma(frame), WHOLE)
    return told


@pytest.mark.parametrize("direction", [(4.0, 0.0), (2.5, 1.0), (0.2, 5.0)])
@pytest.mark.parametrize("woven", [True, False])
def test_told_by_what_moves(direction: tuple[float, float], woven: bool) -> None:
    assert looked_at(direction, woven=woven).learnt == woven


@pytest.mark.parametrize("woven", [True, False])
def test_what_stands_still_tells_nothing(woven: bool) -> None:
    told = looked_at((0.0, 0.0), woven=woven)
    assert not told.learnt
    assert told.learning


def test_looking_ends() -> None:
    told = Woven(_looks=MOST_LOOKS)
    assert not told.learning


@pytest.mark.parametrize("height", [0, 1, 2])
def test_patch_at_the_edge_of_a_picture(height: int) -> None:
    assert not combed(np.zeros((height, 5), np.uint8))
