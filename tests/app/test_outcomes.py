"""Attempts that are only known as made, or missed to a side: the censored likelihood, alone and mixed with misses."""

from dataclasses import replace
from math import asin, degrees, nan, radians

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import norm

from app.fitting import lines
from app.fitting.attempts_csv import AttemptRow
from app.fitting.convergence import converge
from app.fitting.evidence import gather
from app.fitting.fit import fit_shot
from app.fitting.likelihood import Observations, row_terms, total_value
from app.fitting.maximum import profile_value, solve
from app.fitting.scatter import ScatterPrior, best_start
from calibration.table import STANDARD_TABLES, Vector
from tests.benchmarks.drills import outcome_drill
from tests.published import published

TABLE = STANDARD_TABLES["9ft"]


def intervals(bearing: Vector, low: Vector, high: Vector, outside: Vector | None = None) -> Observations:
    """Interval attempts that all start in the origin."""
    n = len(bearing)
    return Observations(
        start_m=np.zeros((n, 2)),
        bearing_rad=bearing,
        sd_rad=np.zeros(n),
        nuisance_rad=np.zeros((n, 0)),
        low_rad=low,
        high_rad=high,
        outside=np.zeros(n, dtype=bool) if outside is None else outside.astype(bool),
    )


def test_two_sided_margins_give_the_published_scatter_of_golf_putts() -> None:
    gap_ft = (4.25 - 1.68) / 2 / 12
    margin, missed = [], []
    for row in published("golf_putts"):
        made, tries = int(row["made"]), int(row["tries"])
        margin += [asin(gap_ft / float(row["feet"]))] * tries
        missed += [False] * made + [True] * (tries - made)
    limits = np.array(margin)
    obs = intervals(np.zeros(len(limits)), -limits, limits, np.array(missed))
    assert len(obs) == 5988

    def cost(scatter_deg: float) -> float:
        return -float(solve(obs, np.radians([scatter_deg]), np.zeros((1, 2)), held=(0, 1)).value[0])

    best = minimize_scalar(cost, bounds=(0.5, 4), method="bounded")
    assert best.x == pytest.approx(1.53, abs=0.005)
    bend = (cost(best.x + 0.02) - 2 * cost(best.x) + cost(best.x - 0.02)) / 0.02**2
    assert 1 / np.sqrt(bend) == pytest.approx(0.02, abs=0.005)


def test_sides_alone_give_the_published_probit_of_beetle_mortality() -> None:
    """Dose as the delivered bearing, death as a miss to the left: 50 % dose and slope are the needed bearing and one
    over the scatter."""
    bearing, killed = [], []
    for row in published("beetles"):
        dead, tries = int(row["killed"]), int(row["beetles"])
        bearing += [float(row["log10_dose"])] * tries
        killed += [True] * dead + [False] * (tries - dead)
    left = np.array(killed)
    obs = intervals(np.array(bearing), np.where(left, -np.inf, 0.0), np.where(left, 0.0, np.inf))

    def fitted(scatter: float) -> tuple[float, float]:
        found = solve(obs, np.array([scatter]), np.array([[1.75, 0.0]]), held=(1,))
        return -float(found.value[0]), float(found.family[0, 0])

    best = minimize_scalar(lambda s: fitted(s)[0], bounds=(0.01, 0.3), method="bounded", options={"xatol": 1e-8})
    assert 1 / best.x == pytest.approx(19.7279, abs=0.005)
    assert fitted(best.x)[1] == pytest.approx(1.77085, abs=1e-5)
    assert fitted(best.x)[1] / best.x == pytest.approx(34.94, abs=0.01)


def test_sides_against_another_programs_probit() -> None:
    statsmodels = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    delivered = 0.8 + rng.normal(0, 0.02, 80)
    left = delivered > 0.8 + rng.normal(0, 0.006, 80)
    obs = intervals(delivered, np.where(left, -np.inf, 0.0), np.where(left, 0.0, np.inf))
    probit = statsmodels.Probit(left.astype(float), statsmodels.add_constant(delivered)).fit(disp=False, tol=1e-10)
    scatter = 1 / probit.params[1]
    found = solve(obs, np.array([scatter]), np.array([[0.8, 0.0]]), held=(1,))
    assert found.family[0, 0] == pytest.approx(-probit.params[0] * scatter, abs=1e-6)
    assert found.value[0] == pytest.approx(probit.llf, abs=1e-6)
    for other in (0.9, 1.1):
        assert solve(obs, np.array([other * scatter]), found.family, held=(1,)).value[0] < probit.llf


def test_slopes_and_curvatures_are_the_derivatives_of_the_values() -> None:
    kinds = [(-0.01, 0.008, 0), (-np.inf, -0.01, 0), (0.008, np.inf, 0), (-0.01, 0.008, 1), (nan, nan, 0)]
    obs = intervals(np.zeros(5), *(np.array(v) for v in zip(*kinds, strict=True)))
    for share in (0.0, 0.02):
        shared = replace(obs, wrong_share=share)
        for error in np.linspace(-0.03, 0.03, 13):
            e, variance, h = np.full(5, error), np.full(5, 0.006**2), 1e-6
            value, slope, curvature = row_terms(e, variance, shared)
            up, down = (row_terms(e + d, variance, shared) for d in (h, -h))
            assert slope == pytest.approx((up[0] - down[0]) / (2 * h), rel=1e-4, abs=1e-3)
            assert np.all(curvature > 0)
            if share == 0:
                exact = -(up[1] - down[1]) / (2 * h)
                bowl = exact > 1
                assert curvature[bowl] == pytest.approx(exact[bowl], rel=1e-3)
                assert np.all(np.isfinite(value))


def test_the_quick_sum_is_that_of_the_terms() -> None:
    drill = outcome_drill(np.random.default_rng(6), 40, "near", measured_share=0.3)
    for share in (0.0, 0.02):
        obs = replace(drill.observations, wrong_share=share)
        error, variance = np.random.default_rng(1).normal(0, 0.01, (3, 40)), np.full((3, 40), 0.005**2)
        assert total_value(error, variance, obs) == pytest.approx(row_terms(error, variance, obs)[0].sum(axis=1))


def test_probabilities_far_in_the_tails_stay_finite_and_right() -> None:
    obs = intervals(np.zeros(3), np.array([0.19, 0.2, -0.21]), np.array([np.inf, 0.21, -0.2]))
    value, _, _ = row_terms(np.zeros(3), np.full(3, 0.01**2), obs)
    assert value == pytest.approx(
        [norm.logsf(19), norm.logsf(20) + np.log1p(-np.exp(norm.logsf(21) - norm.logsf(20)))] * 1
        + [norm.logsf(20) + np.log1p(-np.exp(norm.logsf(21) - norm.logsf(20)))],
        rel=1e-9,
    )


def test_the_censored_fit_is_the_maximum_of_the_likelihood_written_out() -> None:
    drill = outcome_drill(np.random.default_rng(4), 60, "near", measured_share=0.3)
    obs, scatter = replace(drill.observations, wrong_share=0.0), 0.005

    def cost(parameters: Vector) -> float:
        phi, kappa = parameters
        total = 0.0
        for k in range(len(obs)):
            w = np.array([np.cos(phi), np.sin(phi)]) - kappa * obs.start_m[k]
            off = obs.bearing_rad[k] - np.arctan2(w[1], w[0])
            if np.isnan(obs.low_rad[k]):
                total -= norm.logpdf(off, 0, scatter)
            else:
                upper, lower = norm.cdf((off + obs.high_rad[k]) / scatter), norm.cdf((off + obs.low_rad[k]) / scatter)
                total -= np.log(max(upper - lower, 1e-300))
        return total

    plain = minimize(cost, drill.family, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
    found = converge(obs, np.zeros(2), scatter_rad=scatter)
    assert found.family == pytest.approx(plain.x, abs=1e-5)


def rows_of_outcomes(n: int, seed: int = 1) -> list[AttemptRow]:
    rng = np.random.default_rng(seed)
    point = np.array([2.45, 2.4])
    rows = []
    for k in range(n):
        start = rng.uniform([0.2, 0.15], [1.6, 0.9])
        needed = float(np.arctan2(*(point - start)[::-1])) + rng.normal(0, radians(0.3))
        delivered = needed + rng.normal(0, radians(0.8))
        left, right = radians(0.6), radians(0.4)
        off = delivered - needed
        side = "left" if off > left else "right" if off < -right else None
        rows.append(
            AttemptRow(
                row=k + 2, shot="kick", start_x_m=float(start[0]), start_y_m=float(start[1]), bearing_rad=delivered,
                outcome="missed" if side else "made", miss_side=side, margin_left_rad=left, margin_right_rad=right,
            )
        )  # fmt: skip
    return rows


def test_outcomes_alone_find_the_point() -> None:
    fit = fit_shot(rows_of_outcomes(150), shot_name="kick", table=TABLE)
    assert fit.used == 150
    found = fit.convergence
    assert found.point_m is not None
    assert found.covariance_m2 is not None
    offset = found.point_m - [2.45, 2.4]
    assert offset @ np.linalg.solve(found.covariance_m2, offset) < 16
    assert 0.1 < degrees(found.spread_rad) < 0.6


def test_one_sided_margins_and_unknown_sides() -> None:
    rows = rows_of_outcomes(4)
    made = replace(rows[0], outcome="made", miss_side=None, margin_right_rad=nan)
    bare = replace(rows[0], outcome="missed", miss_side="right", margin_left_rad=nan, margin_right_rad=nan)
    unknown = replace(rows[0], outcome="missed", miss_side=None)
    hopeless = replace(unknown, margin_left_rad=nan)
    evidence = gather([made, bare, unknown, hopeless], TABLE)
    obs = evidence.observations
    assert obs.low_rad.tolist() == [-radians(0.6), 0.0, -radians(0.6)]
    assert obs.high_rad.tolist() == [np.inf, np.inf, radians(0.4)]
    assert obs.outside.tolist() == [False, False, True]
    assert [why for _, why in evidence.unused] == ["missed, without a side or both margins"]


def test_outcomes_add_to_measured_misses() -> None:
    drill = outcome_drill(np.random.default_rng(9), 60, "near", measured_share=0.2)
    obs = drill.observations
    k = obs.measured
    alone = Observations(
        obs.start_m[k], obs.bearing_rad[k], obs.sd_rad[k], obs.nuisance_rad[k], obs.low_rad[k], obs.high_rad[k],
        obs.outside[k],
    )  # fmt: skip
    both, fewer = (converge(o, np.zeros(2), scatter_rad=drill.scatter_rad) for o in (obs, alone))
    assert np.linalg.det(both.family_covariance) < np.linalg.det(fewer.family_covariance)


def test_the_prior_settles_the_scatter_when_outcomes_cannot() -> None:
    drill = outcome_drill(np.random.default_rng(2), 12, "near")
    tight = converge(drill.observations, np.zeros(2), prior=ScatterPrior(radians(0.2), 1.05))
    wide = converge(drill.observations, np.zeros(2), prior=ScatterPrior(radians(0.6), 1.05))
    assert degrees(tight.spread_rad) == pytest.approx(0.2, abs=0.03)
    assert degrees(wide.spread_rad) == pytest.approx(0.6, abs=0.09)


def test_bearings_of_the_family_are_what_outcomes_are_about() -> None:
    """A made attempt puts the needed bearing within its margins, whichever way round they are."""
    start = np.array([[-0.8, -0.2], [-0.3, 0.3], [0.1, -0.4], [-0.6, 0.2], [0.0, 0.1]])
    needed = lines.needed_bearings(np.array([0.9, 0.45]), start)
    obs = Observations(
        start, needed + 0.01, np.zeros(5), np.zeros((5, 0)), np.full(5, -0.012), np.full(5, -0.008), np.zeros(5, bool)
    )
    found = converge(obs, np.zeros(2), scatter_rad=0.001)
    assert found.family == pytest.approx([0.9, 0.45], abs=0.01)


def test_sides_in_a_published_psychometric_fit() -> None:
    """Right answers by chance at half the trials; threshold and width are the needed bearing and 3.2897 scatters."""
    rows = published("psychometric_2afc")
    level, right, trials = (np.array([float(r[name]) for r in rows]) for name in ("level", "right", "trials"))
    obs = intervals(level, np.full(len(level), -np.inf), np.zeros(len(level)))

    def cost(parameters: Vector) -> float:
        threshold, log_scatter = parameters
        beyond = np.exp(row_terms(level - threshold, np.full(len(level), np.exp(2 * log_scatter)), obs)[0])
        return -float(right @ np.log(0.5 + 0.5 * beyond) + (trials - right) @ np.log(0.5 - 0.5 * beyond))

    best = minimize(cost, [0.004, np.log(0.002)], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    # The reference has priors, which the likelihood alone has not: its width is half a per cent larger.
    assert best.x[0] == pytest.approx(0.00464484725, rel=1e-3)
    assert 3.2897 * np.exp(best.x[1]) == pytest.approx(0.00468383735, rel=7e-3)


def test_wrong_entries_among_sides_against_another_programs_lapses() -> None:
    """Every answer wrong by an even chance with probability .02 is a guess and a lapse rate of .01."""
    psignifit = pytest.importorskip("psignifit")
    rng = np.random.default_rng(3)
    level = np.linspace(-2, 2, 9)
    left = rng.binomial(60, 0.01 + 0.98 * norm.cdf(level, 0.2, 0.7))
    bearing = np.repeat(np.radians(level), 60)
    went_left = np.concatenate([np.arange(60) < count for count in left])
    sides = intervals(bearing, np.where(went_left, -np.inf, 0.0), np.where(went_left, 0.0, np.inf))
    obs = replace(sides, wrong_share=0.02)

    def fitted(scatter_deg: float) -> tuple[float, float]:
        found = solve(obs, np.radians([scatter_deg]), np.zeros((1, 2)), held=(1,))
        return -float(found.value[0]), degrees(float(found.family[0, 0]))

    best = minimize_scalar(lambda s: fitted(s)[0], bounds=(0.2, 2.0), method="bounded")
    other = psignifit.psignifit(
        np.column_stack([level, left, np.full(9, 60)]),
        experiment_type="yes/no",
        sigmoid="norm",
        fixed_parameters={"gamma": 0.01, "lambda": 0.01, "eta": 0.0},
    ).parameter_estimate
    assert fitted(best.x)[1] == pytest.approx(other["threshold"], abs=0.01)
    assert 3.2897 * best.x == pytest.approx(other["width"], rel=0.01)


def test_the_best_nuisances_of_a_mixed_log_are_the_maximum_of_the_likelihood_written_out() -> None:
    rng = np.random.default_rng(12)
    drill = outcome_drill(rng, 40, "near", measured_share=0.3)
    columns = np.column_stack([0.15 * rng.normal(0, radians(0.6), 40), radians(0.1) * (np.arange(40) < 20)])
    obs = replace(drill.observations, nuisance_rad=columns)
    errors = np.array(
        [lines.residuals(f, obs.start_m, obs.bearing_rad) for f in drill.family + [[0, 0], [0.004, 0.01]]]
    )
    variance = np.full((2, 40), 0.005**2)
    value = profile_value(obs, errors, variance, np.zeros((2, 2)), np.full(2, -np.inf))
    for k in range(2):

        def cost(z: Vector, k: int = k) -> float:
            return 0.5 * float(z @ z) - float(total_value(errors[k] - columns @ z, variance[k], obs))

        best = minimize(cost, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-9})
        assert value[k] == pytest.approx(-best.fun, abs=2e-3)
        # It matters: with the nuisances at nothing the likelihood is another.
        assert value[k] > -cost(np.zeros(2)) + 0.01


@pytest.mark.parametrize("n", [12, 40])
def test_the_scatters_likelihood_is_that_with_the_point_integrated_out(n: int) -> None:
    """On a grid of points. Far below the margins there is no curvature: the room between the limits counts."""
    obs = gather(rows_of_outcomes(n), TABLE).observations
    start = best_start(obs, radians(0.3))
    off = []
    for scatter in np.radians([0.01, 0.03, 0.15, 0.3, 0.6]):
        found = solve(obs, np.array([scatter]), start[None], tolerance=1e-6)
        phi, kappa = np.meshgrid(start[0] + np.linspace(-0.06, 0.06, 161), start[1] + np.linspace(-0.25, 0.25, 161))
        families = np.column_stack([phi.ravel(), kappa.ravel()])
        error = lines.residuals(families, obs.start_m, obs.bearing_rad)
        value = total_value(error, np.full(error.shape, scatter**2), obs)
        exact = value.max() + np.log(np.exp(value - value.max()).sum() * (0.12 / 160) * (0.5 / 160))
        off.append(float(found.restricted[0] + np.log(2 * np.pi) - exact))
    assert off == pytest.approx([0.0] * 5, abs=1.5)
