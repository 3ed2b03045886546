"""Places in a reduced picture and in the frame that it was made of."""

from fractions import Fraction

import cv2
import numpy as np
import pytest

from vision.film.clip import Frame
from vision.reduced import Reduction

REDUCTION = Reduction(4, 80, 56, 1832, 1024)


def test_nearest_reduced_pixel_is_the_one_that_shows_the_place() -> None:
    # Both corners of a block of four pixels a side, and a place within it.
    for at_px in ((80.0, 56.0), (83.0, 59.0), (81.7, 58.2)):
        assert REDUCTION.nearest_px(np.array(at_px)) == (0, 0)
    places = np.random.default_rng(3).uniform(-50, 1900, (200, 2))
    nearest = np.array([REDUCTION.nearest_px(at_px) for at_px in places])
    assert np.abs(nearest - REDUCTION.reduced_px(places)).max() <= 0.5
    assert np.abs(REDUCTION.frame_px(nearest.astype(float)) - places).max() <= 2.0


def test_place_that_is_no_number_is_out_of_the_picture() -> None:
    for at_px in ((np.nan, np.nan), (np.inf, 70.0)):
        assert REDUCTION.nearest_px(np.array(at_px)) == (-1, -1)


@pytest.mark.parametrize("factor", [2, 4, 8, 16])
def test_reduced_picture_is_what_halving_by_opencv_gives(factor: int) -> None:
    part = Reduction(factor, factor, 2 * factor, 13 * factor, 9 * factor)
    luma = np.random.default_rng(5).integers(0, 256, (10 * factor, 14 * factor), np.uint8)
    colour = luma[::2, ::2]
    halved = luma[2 * factor : 9 * factor, factor : 13 * factor]
    while halved.shape[0] > 7:
        halved = cv2.resize(halved, (halved.shape[1] // 2, halved.shape[0] // 2), interpolation=cv2.INTER_AREA)
    assert (part.luma(Frame(0, Fraction(1, 30), luma, colour, colour)) == halved).all()
