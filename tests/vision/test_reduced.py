"""Places in a reduced picture and in the frame that it was made of."""

import numpy as np

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
