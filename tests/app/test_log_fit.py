"""The fit of a whole log: what shots borrow from one another, and the same shared among processes."""

from dataclasses import replace
from math import degrees, log, radians

import numpy as np
import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import fit_shot
from app.fitting.log_fit import Job, by_shot, fit_all, scatter_priors
from app.fitting.scatter import SHOTS_FACTOR, UNKNOWN_FACTOR, USUAL_SCATTER_RAD
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import kicks
from tests.app.test_outcomes import rows_of_outcomes

TABLE = STANDARD_TABLES["9ft"]


def named(rows: list[AttemptRow], name: str) -> list[AttemptRow]:
    return [replace(r, shot=name) for r in rows]


def steady(count: int, noise_deg: float) -> list[AttemptRow]:
    """Shots with measured misses and no stated errors, so that the scatter is the noise."""
    rows: list[AttemptRow] = []
    for k in range(count):
        for r in kicks(30, seed=10 + k, noise_deg=noise_deg):
            rows.append(replace(r, shot=f"steady {k}", bearing_sd_rad=0.0, miss_sd_m=0.0, clip=None))
    return rows


def test_outcomes_borrow_the_scatter_of_the_others() -> None:
    few = named(rows_of_outcomes(12), "few")
    (alone,) = fit_all(few, TABLE)
    spreads = []
    for count in (1, 4):
        fits = {f.shot: f for f in fit_all([*few, *steady(count, 0.08)], TABLE)}
        spreads.append(fits["few"].convergence.spread_rad)
    assert alone.convergence.spread_rad > spreads[0] > spreads[1]
    # One other shot is taken with a grain of salt, four are believed more.
    assert spreads[1] < 0.7 * alone.convergence.spread_rad
    # Its own scatter is not changed by what others borrow.
    assert fits["steady 0"].convergence.spread_rad == pytest.approx(
        fit_shot(steady(1, 0.08), shot_name="steady 0", table=TABLE).convergence.spread_rad
    )


def test_what_is_borrowed_lies_between_the_usual_and_the_others() -> None:
    few = fit_shot(named(rows_of_outcomes(8), "few"), shot_name="few", table=TABLE)
    others = [fit_shot(steady(5, 0.08), shot_name=f"steady {k}", table=TABLE) for k in range(5)]
    (nothing,) = scatter_priors([few])
    assert nothing is None
    middles, factors = [], []
    for count in (1, 2, 5):
        prior = scatter_priors([few, *others[:count]])[0]
        assert prior is not None
        middles.append(degrees(prior.middle_rad))
        factors.append(prior.factor)
    assert degrees(USUAL_SCATTER_RAD) > middles[0] > middles[1] > middles[2] > 0.08
    assert UNKNOWN_FACTOR > factors[0] > factors[1] > factors[2] > SHOTS_FACTOR
    assert scatter_priors(others) == [None] * 5


def test_outcomes_tell_each_other_of_a_scatter_that_is_not_the_usual() -> None:
    """Logs of nothing but outcomes, of a player twice as wild as usual."""
    rng = np.random.default_rng(8)
    rows: list[AttemptRow] = []
    for k in range(6):
        for r in rows_of_outcomes(40, seed=50 + k):
            # The needed line scatters by 0.3 degrees already; this makes 0.7 of it.
            rows.append(replace(r, shot=f"wild {k}", bearing_rad=r.bearing_rad + rng.normal(0, radians(0.63))))
    together = fit_all(rows, TABLE)
    alone = [fit_all([r for r in rows if r.shot == f.shot], TABLE)[0] for f in together]
    away = [[abs(log(f.convergence.spread_rad / radians(0.7))) for f in fits] for fits in (together, alone)]
    assert np.mean(away[0]) < np.mean(away[1])
    assert np.std(away[0]) < np.std(away[1])


def test_shared_among_processes_it_is_the_same_fit() -> None:
    rows = [*named(kicks(12), "a"), *named(kicks(12, seed=2), "b"), *named(rows_of_outcomes(12), "few")]
    one, two = (fit_all(rows, TABLE, marks={"lamp": (2.0, 3.0)}, processes=count) for count in (1, 2))
    assert [f.to_json() for f in two] == [f.to_json() for f in one]


def test_a_shot_fitted_for_itself_borrows_from_others_that_are_not_fitted() -> None:
    few, rest = named(rows_of_outcomes(12), "few"), [*steady(3, 0.08), *named(rows_of_outcomes(30), "more")]
    asked = []

    def others() -> list[Job]:
        asked.append(True)
        return [Job(name, rows, None) for name, rows in by_shot(rest).items()]

    (one,) = fit_all(few, TABLE, others=others)
    assert one.to_json() == fit_all([*few, *rest], TABLE)[0].to_json()
    asked.clear()
    fit_all(steady(1, 0.08), TABLE, others=others)
    assert not asked, "a shot that tells its own scatter does not ask"
