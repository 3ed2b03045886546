"""Rows that are known far worse than others add a little, and never take away; the scatter's nodes miss none of it."""

from dataclasses import replace
from math import log, radians

import numpy as np
import pytest

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.likelihood import LEAST_SD_RAD, Observations
from app.fitting.maximum import solve
from app.fitting.region import scale_squared
from app.fitting.scatter import (
    NOTHING_PART,
    USUAL_SCATTER_RAD,
    ScatterNodes,
    at_scatter,
    best_start,
    integrate_scatter,
    reference_log_density,
    tail_end,
)
from calibration.table import Vector
from tests.benchmarks.coarse_rows import CENTRE_M, FILMED, film_and_hand, first_rows


def agreeing(obs: Observations, family: Vector) -> Observations:
    """The same attempts, the film's agreeing a hundred times better than is stated."""
    exact = lines.needed_bearings(family, obs.start_m)
    share = np.where(np.arange(len(obs)) < FILMED, 0.01, 1.0)
    return replace(obs, bearing_rad=exact + share * (obs.bearing_rad - exact))


def half_axis(obs: Observations) -> float:
    found = converge(obs, CENTRE_M)
    return float("inf") if found.ellipse is None else found.ellipse.semi_major_m


@pytest.mark.parametrize("scatter_deg", [0.0, 0.3])
def test_coarse_rows_that_agree_do_not_enlarge_the_region(scatter_deg: float) -> None:
    """In the median; in about one drill of twenty the rows by hand do make a larger scatter likely."""
    rng = np.random.default_rng(31)
    drawn = [film_and_hand(rng, 12, scatter_deg).observations for _ in range(100)]
    alone, both = (np.array([half_axis(first_rows(obs, n)) for obs in drawn]) for n in (FILMED, FILMED + 12))
    assert np.median(both) <= np.median(alone)
    assert np.median(both / alone) < (0.97 if scatter_deg == 0 else 0.85)


def test_they_do_not_even_where_the_film_agrees_by_chance() -> None:
    rng = np.random.default_rng(32)
    for _ in range(8):
        drill = film_and_hand(rng, 12, 0.0)
        obs = agreeing(drill.observations, drill.family)
        assert half_axis(first_rows(obs, FILMED + 12)) <= half_axis(first_rows(obs, FILMED))


def dense(obs: Observations) -> ScatterNodes:
    """By brute force: nodes close together from nothing to what no cushion does, and no scatter at all."""
    family = best_start(obs, USUAL_SCATTER_RAD)[None]
    grid = np.linspace(log(obs.sd_rad.min() / 100), log(radians(30)), 250)
    found = solve(obs, np.exp(grid), family, tolerance=1e-6)
    nothing = solve(obs, np.array([LEAST_SD_RAD]), found.family[:1])
    score = np.append(
        nothing.restricted + log(NOTHING_PART),
        found.restricted + reference_log_density(grid, obs) + log(grid[1] - grid[0]),
    )
    weight = np.exp(score - score.max())
    return ScatterNodes(np.append(LEAST_SD_RAD, np.exp(grid)), weight / weight.sum(), nothing.followed_by(found))


@pytest.mark.parametrize("agree", [True, False])
def test_a_few_nodes_tell_what_many_tell(agree: bool) -> None:
    rng = np.random.default_rng(8)
    for k in range(12):
        drill = film_and_hand(rng, 30, (0.0, 0.1, 0.6)[k % 3])
        obs = agreeing(drill.observations, drill.family) if agree else drill.observations
        for n in (FILMED, FILMED + 12, FILMED + 30):
            some = first_rows(obs, n)
            few, many = integrate_scatter(some, None), dense(some)
            covariance = at_scatter(some, few, 0.003).covariance[0]
            ratio = scale_squared(few, covariance) / scale_squared(many, covariance)
            assert ratio == pytest.approx(1.0, abs=0.05), (k, n)


def test_the_tail_ends_where_its_rows_let_it() -> None:
    """With n alike it falls as the scatter to the power 2 - n from their error on; coarse ones do not shorten it below
    their own error."""
    assert tail_end(np.full(7, 0.001), 12.0) == pytest.approx(log(0.001) + 12 / 5)
    mixed = np.concatenate([np.full(7, 0.001), np.full(30, 0.5)])
    assert tail_end(mixed, 12.0) == pytest.approx(tail_end(np.full(7, 0.001), 12.0))
    assert tail_end(np.concatenate([np.full(7, 0.001), np.full(30, 0.002)]), 12.0) < tail_end(mixed, 12.0)
