"""What compiled loops take from a frame's planes: against general-purpose libraries, to the picture's edge."""

from fractions import Fraction

import cv2
import numpy as np
import pytest
from scipy import ndimage

from vision.background import _outside
from vision.film.clip import Frame
from vision.outlines.rays import Rays, samples_along
from vision.outlines.shown import INSIDE, MOST_COLOURED, as_shown, inside_colour

WIDTH, HEIGHT = 81, 61
TURNS = np.arange(36) * 2 * np.pi / 36
UNITS = np.column_stack([np.cos(TURNS), np.sin(TURNS)])


def frame(seed: int = 3) -> Frame:
    """A picture of chance, of an odd size."""
    random = np.random.default_rng(seed)
    y = random.integers(16, 236, (HEIGHT, WIDTH), np.uint8)
    u, v = random.integers(16, 241, (2, (HEIGHT + 1) // 2, (WIDTH + 1) // 2), np.uint8)
    return Frame(0, Fraction(1, 30), y, u, v, (0.5, 0.5))


@pytest.mark.parametrize("middle", [(40.3, 30.7), (6.0, 55.2), (79.5, 1.1)])
def test_samples_are_those_of_a_library_and_nothing_beyond_the_picture(middle: tuple[float, float]) -> None:
    rays = Rays(9.0 * UNITS, np.full(36, 9.0), UNITS, np.linspace(0.55, 1.45, 36), 0.0, 9.0)
    seen = frame()
    found = samples_along(as_shown(seen), np.array(middle), rays)
    places = np.array(middle) + rays.spokes_px[:, None] * rays.fractions[:, None]
    for plane, at, told in zip(
        (seen.y, seen.u, seen.v), (places, (places - 0.5) / 2, (places - 0.5) / 2), found, strict=True
    ):
        x, y = at[..., 0], at[..., 1]
        expected = ndimage.map_coordinates(plane.astype(float), [y, x], order=1, mode="nearest")
        inside = (x >= 0) & (y >= 0) & (x <= plane.shape[1] - 1) & (y <= plane.shape[0] - 1)
        assert told == pytest.approx(np.where(inside, expected, 0.0))


@pytest.mark.parametrize("at_px", [(40.0, 30.0), (33.4, 20.6)])
def test_colour_is_that_of_the_inside_and_its_most_coloured_part(at_px: tuple[float, float]) -> None:
    seen, half = frame(5), 8.0 * INSIDE
    (x0, x1), (y0, y1) = ((round(at - half), round(at + half) + 1) for at in at_px)
    small = slice(y0 // 2, y1 // 2 + 1), slice(x0 // 2, x1 // 2 + 1)
    hues = np.column_stack([seen.u[small].ravel(), seen.v[small].ravel()]).astype(float)
    far = np.abs(hues - 128).sum(axis=1)
    most = int(len(far) * MOST_COLOURED)
    luma, *told = inside_colour(as_shown(seen), np.array(at_px), 8.0)
    assert luma == pytest.approx(seen.y[y0:y1, x0:x1].mean())
    # Of those that are as far from grey as the last one taken any may be.
    level = np.sort(far)[-most]
    surely, perhaps = hues[far > level], hues[far == level]
    left = most - len(surely)
    assert told == pytest.approx((surely.sum(axis=0) + left * perhaps.mean(axis=0)) / most)


def test_colour_at_the_edge_is_that_of_what_is_seen_and_none_beyond() -> None:
    seen = as_shown(frame())
    assert np.isfinite(inside_colour(seen, np.array([80.0, 60.0]), 8.0)).all()
    assert np.isnan(inside_colour(seen, np.array([200.0, -50.0]), 8.0)).all()


def test_what_is_beyond_its_bounds_is_what_a_library_finds() -> None:
    random = np.random.default_rng(8)
    planes, low, high = (
        tuple(random.integers(*within, (HEIGHT, WIDTH), np.uint8) for _ in range(3))
        for within in ((0, 256), (0, 60), (200, 256))
    )
    within = [cv2.inRange(plane, least, most) for plane, least, most in zip(planes, low, high, strict=True)]
    found = _outside(planes, (low, high))  # type: ignore[arg-type]
    assert (found == 255 - np.minimum.reduce(within)).all()
    assert 0 < (found == 255).mean() < 1
