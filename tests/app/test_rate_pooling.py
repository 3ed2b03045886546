"""Partial pooling: the published example in which it pays, simulated cells, and the limits."""

import numpy as np
import pytest

from app.rates.pooling import MEDIAN_STRENGTH, pool

# B. Efron and C. Morris, JASA 70, 311-319, 1975, and Scientific American 236 (5), 119-127, 1977: hits in the first 45
# at-bats of 18 batters, and their averages over the rest of the season; from memory.
HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
REST = [346, 298, 276, 222, 273, 270, 263, 210, 269, 230, 264, 256, 303, 264, 226, 285, 316, 200]


def test_batters() -> None:
    made, rest = np.array(HITS, dtype=float), np.array(REST) / 1000
    found = pool(made, np.full(18, 45.0))
    raw = float(np.sum((made / 45 - rest) ** 2))
    # The paper has 0.077 for the averages as they stand, and 0.022 for its shrunk ones.
    assert raw == pytest.approx(0.077, abs=0.002)
    assert float(np.sum((found.rate - rest) ** 2)) < raw / 2
    assert found.mean == pytest.approx(0.265, abs=0.01)
    assert list(np.argsort(-found.rate, kind="stable")) == list(range(18))


def test_two_tries_do_not_shout() -> None:
    found = pool(np.array([2.0, 30.0, 28.0, 33.0]), np.array([2.0, 60.0, 60.0, 60.0]))
    assert found.rate[0] < 0.6
    assert abs(found.rate[1] - 0.5) < 0.03
    assert found.sd[0] > found.sd[1]
    apart = pool(np.array([0.0, 2.0]), np.array([2.0, 2.0]))
    assert 0.2 < apart.rate[0] < 0.5 < apart.rate[1] < 0.8


def test_many_tries_speak_for_themselves() -> None:
    found = pool(np.array([100.0, 900.0, 500.0]), np.full(3, 1000.0))
    assert found.rate == pytest.approx([0.1, 0.9, 0.5], abs=0.01)
    assert found.spread > 0.2


def test_nearer_the_truth_and_as_sure_as_it_says() -> None:
    rng = np.random.default_rng(7)
    off_raw, off_pooled, z = [], [], []
    for _ in range(150):
        truth = rng.beta(6, 4, size=8)
        tries = rng.integers(2, 25, size=8)
        made = rng.binomial(tries, truth)
        found = pool(made, tries)
        off_raw.append(made / tries - truth)
        off_pooled.append(found.rate - truth)
        z.append((found.rate - truth) / found.sd)
    assert np.mean(np.square(off_pooled)) < 0.7 * np.mean(np.square(off_raw))
    assert np.std(z) == pytest.approx(1.0, abs=0.12)
    assert np.mean(z) == pytest.approx(0.0, abs=0.15)


def test_against_draws_from_the_model() -> None:
    """The same model by brute force: rates drawn from it, weighed by how well each draw explains the counts."""
    made, tries = np.array([0, 2, 7]), np.array([2, 3, 9])
    rng = np.random.default_rng(11)
    mean, share = rng.uniform(size=(2, 300_000))
    strength = MEDIAN_STRENGTH * share / (1 - share)
    rates = rng.beta(np.maximum(mean * strength, 1e-12), np.maximum((1 - mean) * strength, 1e-12), size=(3, mean.size))
    weight = np.prod(rates ** made[:, None] * (1 - rates) ** (tries - made)[:, None], axis=0)
    expected = rates @ weight / weight.sum()
    sd = np.sqrt(rates**2 @ weight / weight.sum() - expected**2)
    found = pool(made, tries)
    # The draws are good to about 0.002.
    assert found.rate == pytest.approx(expected, abs=0.008)
    assert found.sd == pytest.approx(sd, abs=0.008)


def test_nothing_tried_and_counts_that_cannot_be() -> None:
    assert np.isnan(pool(np.zeros(2), np.zeros(2)).rate).all()
    with_empty = pool(np.array([3.0, 0.0]), np.array([9.0, 0.0]))
    assert with_empty.rate[1] == pytest.approx(with_empty.mean)
    with pytest.raises(ValueError, match="not more made"):
        pool(np.array([3.0]), np.array([2.0]))
