"""Counts made of the tries that told the spread themselves, against simulation from outside."""

import numpy as np
import pytest
from scipy.special import ndtr

from app.stroke.expected import expect
from app.stroke.make_chance import make_chance
from app.stroke.own_tries import _Smooth, drawn_makes
from app.stroke.spread import Lines, spread_of

SPREAD_RAD = 0.01


def test_counts_are_as_rare_as_told() -> None:
    """Practices of 5 runs of 4 with a tenth of the lines' variance from the camera. Independent trials at a spread
    known within limits would call only about one practice in thirty less likely than one in five."""
    rng = np.random.default_rng(11)
    half, sd = np.full(20, 0.012), np.full(20, 0.0033)
    run = np.repeat(np.arange(5), 4)
    own, independent = [], []
    for _ in range(300):
        error = rng.normal(0, SPREAD_RAD, 20)
        basis = Lines(error + rng.normal(0, sd), sd, run, np.zeros((20, 0)))
        spread = spread_of([basis])
        made = int((np.abs(error) <= half).sum())
        drawn = drawn_makes(half, sd, basis, np.ones(20, dtype=bool), spread)
        own.append(expect(made, [drawn]).chance)
        independent.append(expect(made, [make_chance(half, half, np.tile(spread.nodes_rad[:, None], 20))]).chance)
    assert np.mean(np.array(own) < 0.2) == pytest.approx(0.2, abs=3.3 * np.sqrt(0.2 * 0.8 / 300))
    assert np.mean(np.array(own) < 0.5) == pytest.approx(0.5, abs=3.3 * np.sqrt(0.5 * 0.5 / 300))
    assert np.mean(np.array(independent) < 0.2) < 0.08


def test_variance_left_over_once_the_spread_is_told() -> None:
    """Of many tries, all exact: the count's variance is that of trials less what the told spread takes out of it,
    n (p (1 - p) - (dp / dlog s)^2 / 2) (the usual expansion for a normal spread estimated from the same data)."""
    n, k = 400, 1.2
    basis = Lines(
        np.random.default_rng(2).normal(0, SPREAD_RAD, n), np.zeros(n), np.zeros(n, dtype=int), np.zeros((n, 0))
    )
    spread = spread_of([basis])
    drawn = drawn_makes(np.full(n, k * spread.spread_rad), np.zeros(n), basis, np.ones(n, dtype=bool), spread)
    count = drawn.sum(axis=1)
    p = 2 * float(ndtr(k)) - 1
    slope = 2 * k * np.exp(-k * k / 2) / np.sqrt(2 * np.pi)
    assert count.mean() == pytest.approx(n * p, abs=1)
    assert count.var() == pytest.approx(n * (p * (1 - p) - slope**2 / 2), rel=0.15)


def test_tries_beside_those_that_told_it_are_independent() -> None:
    """Lines set apart have no part in the spread: each is made with the chance that all spreads give on the mean."""
    rng = np.random.default_rng(3)
    n = 30
    kept = np.arange(n) < 20
    basis = Lines(rng.normal(0, SPREAD_RAD, 20), np.zeros(20), np.zeros(20, dtype=int), np.zeros((20, 0)))
    spread = spread_of([basis])
    half = np.full(n, 0.012)
    drawn = drawn_makes(half, np.zeros(n), basis, kept, spread)
    p = make_chance(0.012, 0.012, spread.nodes_rad).mean()
    assert drawn[:, 20:].mean() == pytest.approx(p, abs=0.01)
    assert drawn[:, 20:].sum(axis=1).var() > 1.5 * drawn[:, :10].sum(axis=1).var()


def test_margins_of_nothing_and_no_doubt() -> None:
    basis = Lines(np.zeros(6), np.full(6, 0.01), np.zeros(6, dtype=int), np.zeros((6, 0)))
    spread = spread_of([basis])
    assert spread.nodes_rad[0] == 0
    half = np.array([np.inf, np.nan, -0.01, 0.5, 0.5, 0.5])
    drawn = drawn_makes(half, basis.sd_rad, basis, np.ones(6, dtype=bool), spread)
    assert drawn[:, [0, 3, 4, 5]].all()
    assert not drawn[:, [1, 2]].any()
    again = drawn_makes(half, basis.sd_rad, basis, np.ones(6, dtype=bool), spread)
    assert np.array_equal(drawn, again)


def test_the_smooth_part_is_that_of_weighted_least_squares() -> None:
    rng = np.random.default_rng(4)
    group = rng.permutation(np.repeat([3, 7, 8], [5, 4, 6]))
    basis = Lines(rng.normal(0, 0.01, 15), rng.uniform(0, 0.02, 15), group, rng.normal(0, 1, (15, 2)))
    spread = spread_of([basis])
    design = np.column_stack([*(group == g for g in (3, 7, 8)), basis.columns])
    root = 1 / np.hypot(spread.spread_rad, basis.sd_rad)
    drawn = rng.normal(0, 1, (6, 15))
    weighted = root[:, None] * design
    by_hand = (weighted @ np.linalg.lstsq(weighted, drawn.T, rcond=None)[0]).T
    assert _Smooth(basis, spread).part_of(drawn) == pytest.approx(by_hand, abs=1e-12)
