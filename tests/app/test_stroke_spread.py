"""The spread of lines round a smooth part: published values, closed forms, and how often intervals hold the truth."""

from math import inf, nan

import numpy as np
import pytest
from scipy.stats import binom, chi2

from app.stroke.expected import NOTHING, count_shares, expect
from app.stroke.spread import Lines, alike, odd_lines, smooth_at, smooth_of, spread_of
from calibration.table import Vector
from tests.published import published


def lines(
    deviation: Vector, sd: Vector | float = 0.0, group: Vector | None = None, columns: Vector | None = None
) -> Lines:
    n = len(deviation)
    return Lines(
        np.asarray(deviation, dtype=float),
        np.broadcast_to(np.asarray(sd, dtype=float), n),
        np.zeros(n, dtype=int) if group is None else group.astype(int),
        np.zeros((n, 0)) if columns is None else columns,
    )


def trials() -> tuple[Vector, ...]:
    rows = published("bcg_trials")
    return tuple(np.array([float(r[key]) for r in rows]) for key in ("v_ill", "v_well", "c_ill", "c_well", "latitude"))


def test_published_interval_of_a_spread_beside_stated_errors() -> None:
    """Published: metafor-project.org, van Houwelingen et al. (2002) worked again: .1302 to 1.1812."""
    a, b, c, d, _ = trials()
    ratio, variance = np.log(a * d / (b * c)), 1 / a + 1 / b + 1 / c + 1 / d
    assert ratio[:3] == pytest.approx([-0.9387, -1.6662, -1.3863], abs=5e-5)
    assert variance[:3] == pytest.approx([0.3571, 0.2081, 0.4334], abs=5e-5)
    found = spread_of([lines(ratio, np.sqrt(variance))])
    # The page's limits come from a search that ends at 1e-4.
    assert (found.low_rad**2, found.high_rad**2) == pytest.approx((0.1302, 1.1812), abs=1.5e-4)
    assert (found.lines, found.freedom) == (13, 12)


def test_published_restricted_estimate_with_and_without_a_slope() -> None:
    """Published: restricted likelihood, .3132 (RoBMA's vignette); the others from memory of metafor's documentation."""
    a, b, c, d, latitude = trials()
    ratio = np.log(a / (a + b) / (c / (c + d)))
    sd = np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    plain = spread_of([lines(ratio, sd)])
    assert plain.spread_rad**2 == pytest.approx(0.3132, abs=5e-5)
    assert (plain.low_rad**2, plain.high_rad**2) == pytest.approx((0.1197, 1.1115), abs=1.5e-4)
    sloping = lines(ratio, sd, columns=latitude[:, None])
    found = spread_of([sloping])
    # Printed after a search that ends once a step is below 1e-5.
    assert found.spread_rad**2 == pytest.approx(0.0764, abs=1e-4)
    smooth = smooth_of(sloping, found.spread_rad)
    assert (smooth.constants_rad[0], smooth.constants_sd_rad[0]) == pytest.approx((0.2515, 0.2491), abs=5e-5)
    assert (smooth.slopes[0], smooth.slopes_sd[0]) == pytest.approx((-0.0291, 0.0072), abs=5e-5)
    value, value_sd = smooth_at(sloping, found.spread_rad, latitude[:, None])
    assert value == pytest.approx(smooth.value_rad, rel=1e-9)
    assert value_sd == pytest.approx(smooth.sd_rad, rel=1e-9)
    # At the place 0 the value is the constant.
    value, value_sd = smooth_at(sloping, found.spread_rad, np.zeros((1, 1)))
    assert (value[0], value_sd[0]) == pytest.approx((0.2515, 0.2491), abs=5e-5)


def test_without_stated_errors_it_is_the_text_book_interval() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3: (n - 1) s^2 over quantiles of chi-squared."""
    x = np.random.default_rng(2).normal(0.3, 0.01, 9)
    found = spread_of([lines(x)])
    s = float(np.std(x, ddof=1))
    assert found.spread_rad == pytest.approx(s, rel=1e-4)
    low, high = s * np.sqrt(8 / chi2.ppf(0.975, 8)), s * np.sqrt(8 / chi2.ppf(0.025, 8))
    assert (found.low_rad, found.high_rad) == pytest.approx((low, high), rel=1e-6)
    # The nodes are as likely as each other: the middle one is exceeded half of the time.
    assert found.nodes_rad[12] == pytest.approx(s * np.sqrt(8 / chi2.ppf(0.5, 8)), rel=1e-6)
    assert np.all(np.diff(found.nodes_rad) > 0)


def test_groups_cost_a_constant_each() -> None:
    """Three places of three tries against the pooled variance of an analysis of variance, by hand."""
    x = np.array([1.0, 2, 3, 11, 12, 13, 5, 7, 9]) / 100
    found = spread_of([lines(x, group=np.repeat([4, 1, 7], 3))])
    assert found.freedom == 6
    assert found.spread_rad == pytest.approx(np.sqrt((2 + 2 + 8) / 6) / 100, rel=1e-4)
    apart = [lines(x[k : k + 3]) for k in (0, 3, 6)]
    assert spread_of(apart).high_rad == pytest.approx(found.high_rad, rel=1e-9)


def test_what_cannot_be_told() -> None:
    nothing = spread_of([lines(np.array([0.1])), lines(np.zeros(0))])
    assert (nothing.freedom, nothing.known) == (0, False)
    assert np.isnan([nothing.spread_rad, nothing.low_rad, nothing.high_rad]).all()
    # Agreement that is better than the stated errors: no spread, up to a limit.
    calm = spread_of([lines(np.array([0.01, -0.01, 0.012, -0.008, 0.0]), 0.02)])
    assert (calm.spread_rad, calm.low_rad) == (0.0, 0.0)
    assert 0 < calm.high_rad < 0.05


@pytest.mark.parametrize(("n", "stated"), [(4, 0.0), (6, 1.0), (25, 0.3)])
def test_intervals_hold_the_truth_as_often_as_told(n: int, stated: float) -> None:
    rng, truth, drills = np.random.default_rng(n), 0.01, 500
    group = np.arange(n) % 2
    columns = rng.normal(size=(n, 1)) if n > 4 else None
    held = below = 0
    for _ in range(drills):
        sd = stated * truth * rng.uniform(0.3, 1.7, n)
        x = rng.normal(0, truth, n) + rng.normal(0, 1, n) * sd + 0.2 * group
        found = spread_of([lines(x, sd, group, columns)])
        held += found.low_rad <= truth <= found.high_rad
        below += found.nodes_rad[12] < truth
    assert held / drills == pytest.approx(0.95, abs=3.3 * np.sqrt(0.95 * 0.05 / drills))
    assert below / drills == pytest.approx(0.5, abs=3.3 * 0.5 / np.sqrt(drills))


def test_a_miscue_is_set_apart_and_ordinary_lines_are_not() -> None:
    rng = np.random.default_rng(8)
    x = rng.normal(0, 0.005, 20)
    assert odd_lines(lines(x, 0.001)) == {}
    x[7] += 0.06
    found = odd_lines(lines(x, 0.001))
    assert list(found) == [7]
    assert found[7] > 8
    # In so many logs without one, hardly any line is called odd.
    called = sum(bool(odd_lines(lines(rng.normal(0, 0.005, 12), 0.001))) for _ in range(300))
    assert called <= 3
    assert odd_lines(lines(np.array([0.0, 0.1]))) == {}


def test_shots_with_unlike_spreads_are_told_apart() -> None:
    rng = np.random.default_rng(4)
    same = [lines(rng.normal(0, 0.01, 15)) for _ in range(3)]
    assert alike(same) > 0.05
    assert alike([*same, lines(rng.normal(0, 0.04, 15))]) < 1e-4
    assert np.isnan(alike(same[:1]))
    chances = [alike([lines(rng.normal(0, 0.01, 5)) for _ in range(3)]) for _ in range(200)]
    assert np.mean(np.array(chances) < 0.2) == pytest.approx(0.2, abs=3.3 * np.sqrt(0.2 * 0.8 / 200))


def test_counts_with_differing_chances() -> None:
    """Against simulated tries, and the plain binomial distribution when all chances are one."""
    assert count_shares(np.full((1, 9), 0.3))[0] == pytest.approx(binom.pmf(np.arange(10), 9, 0.3), rel=1e-10)
    p = np.array([0.1, 0.5, 0.8, 0.95, 0.3])
    rng = np.random.default_rng(6)
    seen = np.bincount((rng.random((200_000, 5)) < p).sum(axis=1), minlength=6) / 200_000
    assert count_shares(p[None])[0] == pytest.approx(seen, abs=4e-3)
    many = np.full((1, 900), 0.3)
    assert count_shares(many).sum() == pytest.approx(1)
    assert count_shares(many)[0] == pytest.approx(binom.pmf(np.arange(901), 900, 0.3), abs=6e-4)


def test_expected_counts() -> None:
    known = expect(3, [np.full((1, 10), 0.3)])
    assert (known.tries, known.made, known.mean) == (10, 3, pytest.approx(3.0))
    assert known.sd == pytest.approx(np.sqrt(10 * 0.3 * 0.7))
    # Binomial tables: 0 or less 2.8 %, 6 or less 98.9 %.
    assert (known.low, known.high, known.differs) == (0, 6, 0)
    assert expect(7, [np.full((1, 10), 0.3)]).differs == 1
    assert expect(0, [np.full((1, 20), 0.3)]).differs == -1
    # Not knowing the chance widens the count beyond independent trials: variance of the mean added.
    unsure = expect(5, [np.array([[0.3] * 10, [0.7] * 10])])
    assert unsure.sd == pytest.approx(np.sqrt(10 * 0.21 + (10 * 0.2) ** 2))
    # Two strokes' doubts are not shared.
    two = expect(5, [np.array([[0.3] * 5, [0.7] * 5])] * 2)
    assert two.sd == pytest.approx(np.sqrt(10 * 0.21 + 2 * (5 * 0.2) ** 2))
    assert expect(0, []) == NOTHING
    assert expect(0, [np.zeros((3, 0))]) is NOTHING
    with pytest.raises(ValueError, match="cannot be"):
        expect(2, [np.full((1, 1), 0.5)])
    with pytest.raises(ValueError, match="between 0 and 1"):
        expect(1, [np.full((1, 1), nan)])
    with pytest.raises(ValueError, match="between 0 and 1"):
        expect(1, [np.full((1, 1), inf)])
