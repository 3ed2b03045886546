"""Intervals of make-rates against published tables and another implementation."""

from math import isnan

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from app.rates.intervals import clopper_pearson, difference, uneven_chance, wilson

# R. G. Newcombe, Statistics in Medicine 17, 857-872, 1998, Table I, 95 %: Wilson's as printed, the exact ones from
# memory. 5/10 is no part of that table: worked out elsewhere from the two formulas.
TABLE_I = [
    (81, 263, 0.2553, 0.3662, 0.2527, 0.3676),
    (15, 148, 0.0624, 0.1605, 0.0578, 0.1617),
    (0, 20, 0.0, 0.1611, 0.0, 0.1684),
    (1, 29, 0.0061, 0.1718, 0.0009, 0.1776),
    (29, 29, 0.8830, 1.0, 0.8806, 1.0),
    (5, 10, 0.2366, 0.7634, 0.1871, 0.8129),
]
# R. G. Newcombe, Statistics in Medicine 17, 873-890, 1998, Table II, method 10, 95 %; from memory.
TABLE_II = [
    ((56, 70), (48, 80), 0.0524, 0.3339),
    ((9, 10), (3, 10), 0.1705, 0.8090),
    ((6, 7), (2, 7), 0.0582, 0.8062),
    ((5, 56), (0, 29), -0.0381, 0.1926),
    ((0, 10), (0, 20), -0.1611, 0.2775),
    ((0, 10), (0, 10), -0.2775, 0.2775),
    ((10, 10), (0, 20), 0.6791, 1.0),
    ((10, 10), (0, 10), 0.6075, 1.0),
]


@pytest.mark.parametrize(("made", "tries", "low", "high", "exact_low", "exact_high"), TABLE_I)
def test_one_rate_as_published(
    made: int, tries: int, low: float, high: float, exact_low: float, exact_high: float
) -> None:
    assert wilson(made, tries) == pytest.approx((low, high), abs=5.1e-5)
    assert clopper_pearson(made, tries) == pytest.approx((exact_low, exact_high), abs=5.1e-5)


def test_handbook() -> None:
    # NIST/SEMATECH e-Handbook, 7.2.4.1: one-sided 95 % is two-sided 90 %; z = 1.645 there.
    assert wilson(26, 200, 0.90)[0] == pytest.approx(0.09577, abs=1e-5)
    # The handbook's upper limit is rounded by its solver in the sixth digit.
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=1.5e-6)


@pytest.mark.parametrize(("first", "second", "low", "high"), TABLE_II)
def test_difference_as_published(first: tuple[int, int], second: tuple[int, int], low: float, high: float) -> None:
    found = difference(first, second)
    assert found.value == pytest.approx(first[0] / first[1] - second[0] / second[1])
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)
    turned = difference(second, first)
    assert (turned.low, turned.high) == pytest.approx((-high, -low), abs=5.1e-5)


def test_against_another_implementation() -> None:
    for tries in (1, 2, 7, 40):
        for made in range(0, tries + 1, max(1, tries // 5)):
            assert wilson(made, tries) == pytest.approx(proportion_confint(made, tries, method="wilson"), abs=1e-12)
            assert clopper_pearson(made, tries) == pytest.approx(
                proportion_confint(made, tries, method="beta"), abs=1e-12
            )
            found = difference((made, tries), (3, 11))
            theirs = confint_proportions_2indep(made, tries, 3, 11, method="newcomb", compare="diff")
            assert (found.low, found.high) == pytest.approx(theirs, abs=1e-12)


def test_uneven_counts_as_published() -> None:
    """S. Siegel, Nonparametric Statistics, 1956, table D (one-tailed): 3 of 14 0.029, 4 of 17 0.025; from memory."""
    assert uneven_chance(3, 11) == pytest.approx(2 * 0.029, abs=0.001)
    assert uneven_chance(13, 4) == pytest.approx(2 * 0.025, abs=0.001)
    assert uneven_chance(5, 5) == 1
    assert uneven_chance(0, 1) == 1
    assert isnan(uneven_chance(0, 0))
    with pytest.raises(ValueError, match="cannot be"):
        uneven_chance(-1, 3)


def test_no_tries_and_counts_that_cannot_be() -> None:
    assert all(map(isnan, (*wilson(0, 0), *clopper_pearson(0, 0), difference((0, 0), (1, 2)).low)))
    assert not difference((0, 0), (1, 2)).told_apart
    assert difference((56, 70), (48, 80)).told_apart
    for made, tries in ((3, 2), (-1, 2)):
        with pytest.raises(ValueError, match="cannot be"):
            wilson(made, tries)
    with pytest.raises(ValueError, match="not between"):
        wilson(1, 2, 1.0)
