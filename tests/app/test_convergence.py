"""The fit of the lines' family: invariance, refusals, the region's rule, and its shape near infinity."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f

from app.fitting import lines
from app.fitting.convergence import Convergence, converge
from app.fitting.likelihood import Observations, measured_bearings
from app.fitting.region import p_values
from app.fitting.scatter import integrate_scatter
from calibration.table import Vector

CENTRE = np.array([1.27, 0.635])


def drill(seed: int, n: int = 10, family: tuple[float, float] = (0.95, 0.45), noise_deg: float = 0.3) -> Observations:
    rng = np.random.default_rng(seed)
    start = rng.uniform([-1.1, -0.5], [0.2, 0.5], (n, 2))
    angle = lines.needed_bearings(np.array(family), start) + rng.normal(0, np.radians(noise_deg), n)
    gain = 0.15 * rng.normal(0, np.radians(0.6), n)
    turn = np.radians(0.05) * (np.arange(n) % 2 == 0)
    return measured_bearings(start, angle, np.radians(0.05), np.column_stack([gain, turn]))


def region_at(found: Convergence, obs: Observations, family: Vector) -> float:
    assert found.nodes is not None
    return float(p_values(obs, found.nodes, family[None])[0])


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(-3.1, 3.1), st.floats(-5, 5), st.floats(-5, 5), st.booleans())
def test_moving_turning_and_mirroring_everything_moves_the_answer_along(
    seed: int, turn: float, east: float, north: float, mirrored: bool
) -> None:
    obs = drill(seed)
    found = converge(obs, CENTRE)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    side = -1.0 if mirrored else 1.0
    if mirrored:
        matrix = matrix @ np.diag([1.0, -1.0])
    moved = replace(
        obs,
        start_m=obs.start_m @ matrix.T,
        bearing_rad=side * obs.bearing_rad + turn,
        nuisance_rad=side * obs.nuisance_rad,
    )
    centre = matrix @ CENTRE + [east, north]
    again = converge(moved, centre)
    assert again.status == found.status
    assert again.family[1] == pytest.approx(found.family[1], abs=1e-6)
    assert again.spread_rad == pytest.approx(found.spread_rad, rel=1e-4)
    if found.point_m is not None:
        assert again.point_m == pytest.approx(matrix @ found.point_m + [east, north], abs=1e-5)
        assert again.covariance_m2 == pytest.approx(matrix @ found.covariance_m2 @ matrix.T, rel=1e-3, abs=1e-9)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(seed: int, shuffler: object) -> None:
    obs = drill(seed)
    order = np.random.default_rng(seed).permutation(len(obs))
    other = replace(
        obs,
        start_m=obs.start_m[order],
        bearing_rad=obs.bearing_rad[order],
        nuisance_rad=obs.nuisance_rad[order],
    )
    one, two = converge(obs, CENTRE), converge(other, CENTRE)
    assert two.family == pytest.approx(one.family, abs=1e-6)
    assert two.spread_rad == pytest.approx(one.spread_rad, rel=1e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_log_entered_twice_halves_the_covariance_of_known_errors(seed: int) -> None:
    obs = drill(seed)
    once = measured_bearings(obs.start_m, obs.bearing_rad, np.radians(0.3))
    twice = measured_bearings(np.repeat(obs.start_m, 2, axis=0), np.repeat(obs.bearing_rad, 2), np.radians(0.3))
    a, b = converge(once, CENTRE, scatter_rad=0.0), converge(twice, CENTRE, scatter_rad=0.0)
    assert b.family == pytest.approx(a.family, abs=1e-8)
    assert b.family_covariance == pytest.approx(a.family_covariance / 2, rel=1e-6)


@pytest.mark.parametrize("n", [4, 5, 8, 30])
def test_the_region_is_that_of_the_f_threshold_on_the_profile_likelihood(n: int) -> None:
    """Plain measured rows: RSS <= RSS_min (1 + 2 F(2, nu)/nu), nothing linearised, at every point of the outline."""
    obs = drill(n, n, noise_deg=0.1)
    obs = measured_bearings(obs.start_m, obs.bearing_rad)
    found = converge(obs, CENTRE)
    assert found.region is not None
    squares = np.sum(lines.residuals(found.region, obs.start_m, obs.bearing_rad) ** 2, axis=1)
    least = np.sum(lines.residuals(found.family, obs.start_m, obs.bearing_rad) ** 2)
    nu = n - 2
    assert squares / least == pytest.approx(np.full(len(squares), 1 + 2 * f.ppf(0.95, 2, nu) / nu), rel=5e-3)


def test_stated_errors_that_explain_everything_give_the_chi_square_region() -> None:
    rng = np.random.default_rng(5)
    start = rng.uniform([-1.1, -0.5], [0.2, 0.5], (6, 2))
    family = np.array([0.95, 0.45])
    # Residuals far smaller than stated: no room is left for a scatter of the lines.
    angle = lines.needed_bearings(family, start) + rng.normal(0, np.radians(0.02), 6)
    obs = measured_bearings(start, angle, np.radians(0.2))
    found = converge(obs, CENTRE)
    assert found.spread_rad == 0.0
    assert found.region is not None
    squares = np.sum(lines.residuals(found.region, obs.start_m, obs.bearing_rad) ** 2, axis=1) / np.radians(0.2) ** 2
    least = np.sum(lines.residuals(found.family, obs.start_m, obs.bearing_rad) ** 2) / np.radians(0.2) ** 2
    # Chi-square is 5.99; some room for a scatter remains. With it held at nothing, exactly that.
    assert np.all(squares - least > 5.99)
    assert np.all(squares - least < 10.0)
    held = converge(obs, CENTRE, scatter_rad=0.0)
    assert held.region is not None
    squares = np.sum(lines.residuals(held.region, obs.start_m, obs.bearing_rad) ** 2, axis=1) / np.radians(0.2) ** 2
    assert squares - least == pytest.approx(np.full(len(squares), 5.991465), abs=0.01)


@pytest.mark.parametrize("kappa", [0.0, -0.3])
def test_parallel_and_spreading_lines_are_found_by_the_same_fit(kappa: float) -> None:
    obs = drill(3, 20, (0.9, kappa), noise_deg=0.1)
    found = converge(obs, CENTRE)
    assert found.family[1] == pytest.approx(kappa, abs=0.03)
    assert region_at(found, obs, np.array([0.9, kappa])) > 0.001
    if kappa == 0:
        assert found.status == "infinite"
        assert found.point_m is None
        assert found.region is not None
    else:
        assert found.point_m is not None
        # Behind the shooter.
        assert (found.point_m - CENTRE) @ lines.unit(np.array(0.9)) < 0


def test_the_bearing_zero_is_nothing_special() -> None:
    obs = drill(4, 12, (0.0, 0.45))
    turned = replace(obs, bearing_rad=obs.bearing_rad % (2 * np.pi))
    found = converge(turned, CENTRE)
    assert np.angle(np.exp(1j * found.family[0])) == pytest.approx(0.0, abs=0.01)


def test_too_few_attempts_are_refused_with_a_reason() -> None:
    obs = drill(1, 2)
    found = converge(obs, CENTRE)
    assert found.status == "refused"
    assert "2 usable attempts" in found.reason
    assert found.point_m is None
    assert found.region is None
    assert np.isnan(found.spread_rad)


def test_three_attempts_give_a_wide_answer_or_a_reason() -> None:
    for seed in range(8):
        found = converge(drill(seed, 3), CENTRE)
        assert found.status in ("point", "infinite", "open", "refused")
        assert (found.status == "point") == (found.reason == "")
        if found.status == "open":
            assert found.region is None


@pytest.mark.parametrize("noise_deg", [0.0, 0.3])
def test_starts_on_one_line_of_aim_cannot_tell(noise_deg: float) -> None:
    rng = np.random.default_rng(2)
    along = np.linspace(-1.0, 0.3, 9)[:, None] * lines.unit(np.array(0.5))
    angle = 0.5 + rng.normal(0, np.radians(noise_deg), 9)
    found = converge(measured_bearings(along, angle), CENTRE)
    assert found.status == "refused"
    assert "one line of aim" in found.reason


def test_repeats_from_one_start_cannot_tell() -> None:
    rng = np.random.default_rng(3)
    found = converge(measured_bearings(np.tile([-0.5, 0.1], (12, 1)), 0.7 + rng.normal(0, 0.005, 12)), CENTRE)
    assert found.status == "refused"


def test_a_start_on_the_point_itself_does_no_harm() -> None:
    obs = drill(6, 12)
    point = lines.to_point(np.array([0.95, 0.45]))
    start = np.vstack([obs.start_m, point])
    found = converge(measured_bearings(start, np.append(obs.bearing_rad, 1.0)), CENTRE)
    assert np.all(np.isfinite(found.family))
    assert found.family == pytest.approx([0.95, 0.45], abs=0.05)


def test_perfect_lines_give_the_exact_point() -> None:
    start = np.array([[-1.0, -0.3], [-0.6, 0.2], [-0.1, -0.2], [0.1, 0.4]])
    point = np.array([2.6, 2.4])
    angle = np.arctan2(*(point - CENTRE - start).T[::-1])
    found = converge(measured_bearings(start, angle), CENTRE)
    assert found.point_m == pytest.approx(point, abs=1e-5)
    assert found.spread_rad < 1e-5


def test_nuisances_fitted_along_are_the_same_as_integrated_out() -> None:
    """Against the dense marginal covariance, scatter held at one value."""
    obs = drill(8, 14)
    scatter = np.radians(0.3)
    found = converge(obs, CENTRE, scatter_rad=scatter)
    dense = np.diag(scatter**2 + obs.sd_rad**2) + obs.nuisance_rad @ obs.nuisance_rad.T
    columns = lines.jacobian(found.family, obs.start_m)
    residual = lines.residuals(found.family, obs.start_m, obs.bearing_rad)
    assert found.family_covariance == pytest.approx(
        np.linalg.inv(columns.T @ np.linalg.solve(dense, columns)), rel=1e-6
    )
    assert columns.T @ np.linalg.solve(dense, residual) == pytest.approx([0, 0], abs=1e-2)
    nodes = integrate_scatter(obs, None)
    for family in found.family + np.array([[0.01, 0.0], [0.0, 0.05], [-0.004, 0.02]]):
        away = lines.residuals(family, obs.start_m, obs.bearing_rad)
        drops = []
        for s, best in zip(nodes.scatter_rad, nodes.solutions.family, strict=True):
            inverse = np.linalg.inv(np.diag(s**2 + obs.sd_rad**2) + obs.nuisance_rad @ obs.nuisance_rad.T)
            here = lines.residuals(best, obs.start_m, obs.bearing_rad)
            drops.append(0.5 * (away @ inverse @ away - here @ inverse @ here))
        expected = np.exp(-np.array(drops)) @ nodes.weight
        assert p_values(obs, nodes, family[None])[0] == pytest.approx(expected, rel=1e-4)
