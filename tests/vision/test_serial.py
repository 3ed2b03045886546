"""How much neighbouring errors repeat each other, against processes whose long-run variance is known."""

import numpy as np
import pytest

from calibration.table import Vector
from vision.serial import excess, inflation, share_of_stated


def chain(alike: float, n: int, seed: int) -> Vector:
    """A first-order autoregression of unit variance, (n,)."""
    rng = np.random.default_rng(seed)
    out = rng.normal(size=n)
    for k in range(1, n):
        out[k] = alike * out[k - 1] + np.sqrt(1 - alike**2) * out[k]
    return out


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.6])
def test_inflation_of_a_first_order_autoregression(alike: float) -> None:
    """Its mean's variance is (1 + r) / (1 - r) times that of independent errors (any book on time series)."""
    found = inflation([chain(alike, 400, seed) for seed in range(60)])
    assert found == pytest.approx((1 + alike) / (1 - alike), rel=0.15)


def test_stretches_are_pooled_and_the_shortest_say_nothing() -> None:
    long, short = chain(0.5, 60, 1), np.ones(5)
    assert inflation([long, short]) == inflation([long])
    assert inflation([short]) == inflation([]) == 1.0
    assert inflation([long, long]) == pytest.approx(inflation([long]))


def test_errors_that_alternate_are_not_taken_to_help() -> None:
    assert inflation([np.tile([1.0, -1.0], 30)]) == 1.0


def test_stated_errors_count_as_much_as_a_few_residuals() -> None:
    assert excess(np.zeros(0), 0) == excess(np.full(2, 9.0), 0) == 1.0
    # Three times four residuals of a tenth: what is stated makes a quarter of the mean.
    assert excess(0.1 * np.tile([1.0, -1.0], 6), 12) == pytest.approx((4 + 0.12) / 16)
    assert excess(0.1 * chain(0.0, 4000, 2), 3998) == pytest.approx(0.01, rel=0.4)


def test_share_of_stated_leaves_out_what_neighbours_have_in_common() -> None:
    alike = 0.1 * chain(0.9, 4000, 4)
    assert share_of_stated(alike, 3998) == pytest.approx(0.01, rel=0.4)
    assert excess(alike, 3998) > 10 * share_of_stated(alike, 3998)
    assert share_of_stated(np.full(2, 9.0), 0) == 1.0


@pytest.mark.parametrize("size", [2.0, 0.3])
def test_mean_with_the_excess_is_honest(size: float) -> None:
    """Means of errors that go on for a while, larger than stated and smaller."""
    off = []
    for seed in range(300):
        errors = size * chain(0.4, 50, seed)
        off.append(errors.mean() / np.sqrt(excess(errors - errors.mean(), 49) / 50))
    assert 0.75 < np.sqrt(np.mean(np.square(off))) < 1.35
