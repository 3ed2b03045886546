"""The median of pictures, against numpy's."""

import numpy as np
import pytest

from calibration.median import median_of


@pytest.mark.parametrize("count", range(1, 21))
def test_agrees_with_sorting(count: int) -> None:
    pictures = list(np.random.default_rng(count).integers(0, 256, (count, 37, 11, 3), dtype=np.uint8))
    before = [picture.copy() for picture in pictures]
    assert np.array_equal(median_of(pictures), np.median(pictures, axis=0).astype(np.uint8))
    assert all(np.array_equal(a, b) for a, b in zip(pictures, before, strict=True))


@pytest.mark.parametrize("count", [1, 2, 7, 10])
def test_agrees_with_sorting_of_fractions(count: int) -> None:
    """A place that is not known in one picture is not known in the median."""
    random = np.random.default_rng(count)
    pictures = random.random((count, 19, 23)).astype(np.float32)
    pictures[random.random(pictures.shape) < 0.05] = np.nan
    assert np.isnan(pictures).any()
    np.testing.assert_allclose(median_of(list(pictures)), np.median(pictures, axis=0), rtol=1e-6)


@pytest.mark.parametrize("count", [2, 5, 12])
def test_every_order_of_noughts_and_ones_is_sorted(count: int) -> None:
    """A network that sorts all rows of 0 and 1 sorts everything (the zero-one principle, Knuth, from memory)."""
    rows = (np.arange(2**count)[:, None] >> np.arange(count) & 1).astype(np.uint8) * 255
    middle = median_of([np.ascontiguousarray(column[:, None]) for column in rows.T])[:, 0]
    assert np.array_equal(middle, np.median(rows, axis=1).astype(np.uint8))
