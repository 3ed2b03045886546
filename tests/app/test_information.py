"""Information matrices with most nuisances apart, and groups fitted side by side, against the same done in full."""

from dataclasses import replace

import numpy as np
import pytest

from app.fitting import lines
from app.fitting.information import Information, gathered
from app.fitting.likelihood import FEWEST_APART, LEAST_SD_RAD, Observations, row_weights
from app.fitting.maximum import solve
from app.fitting.side_by_side import fit_groups
from tests.benchmarks.drills import measured_drill


def drill(n: int, seed: int = 4) -> tuple[Observations, np.ndarray]:
    made = measured_drill(np.random.default_rng(seed), n, "near")
    return made.observations, made.family


def information_of(n: int) -> tuple[Information, np.ndarray]:
    """As gathered, and from the whole design by the definition."""
    obs, family = drill(n)
    families = family + np.array([[0.0, 0.0], [0.01, 0.02], [0.0, -0.4]])
    columns = lines.jacobian(families, obs.start_m).swapaxes(-1, -2)
    weight = np.random.default_rng(1).uniform(1e4, 1e5, (3, n))
    design = np.concatenate([columns, np.broadcast_to(obs.nuisance_rad.T, (3, *obs.nuisance_rad.T.shape))], axis=1)
    prior = np.diag([0.0, 0.0, *np.ones(obs.nuisance_rad.shape[1])])
    return gathered(obs, columns, weight), (design * weight[:, None, :]) @ design.swapaxes(1, 2) + prior


@pytest.mark.parametrize("n", [10, 40, 130])
def test_what_is_apart_is_eliminated_as_if_it_were_not(n: int) -> None:
    found, whole = information_of(n)
    assert found.own.shape[-1] == (0 if n // 12 + 1 < FEWEST_APART else n // 12 + 1)
    assert found.dense == pytest.approx(whole, rel=1e-12)
    right = np.random.default_rng(2).normal(size=whole.shape[:2])
    assert found.solve(right) == pytest.approx(np.linalg.solve(whole, right[..., None])[..., 0], rel=1e-9)
    assert found.log_determinant() == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
    assert found.log_determinant(first=2) == pytest.approx(np.linalg.slogdet(whole[:, 2:, 2:])[1], rel=1e-12)
    s = found.core.shape[-1]
    assert found.covariance == pytest.approx(np.linalg.inv(whole)[:, :s, :s], rel=1e-9)
    raised = whole + np.eye(whole.shape[1]) * (0.5 * whole + 2.0)
    assert found.raised(0.5, 2.0).dense == pytest.approx(raised, rel=1e-12)


def test_held_parameters_leave_the_rest_as_it_is() -> None:
    found, whole = information_of(130)
    rest = np.delete(np.delete(whole, 1, axis=1), 1, axis=2)
    assert found.without((1,)).dense == pytest.approx(rest, rel=1e-12)
    assert found.holding((1,)).log_determinant() == pytest.approx(np.linalg.slogdet(rest)[1], rel=1e-12)


def test_nuisances_that_share_a_row_are_not_apart() -> None:
    obs, _ = drill(130)
    clips = obs.nuisance_rad.shape[1] - 1
    assert obs.apart == clips
    shared = obs.nuisance_rad.copy()
    # The last but three now reaches into the last.
    shared[-1, -4] = 1e-3
    assert replace(obs, nuisance_rad=shared).apart == 0
    assert replace(obs, nuisance_rad=obs.nuisance_rad[:, ::-1]).apart == 0


def test_groups_side_by_side_are_fitted_as_each_for_itself() -> None:
    sizes = (3, 5, 7, 9, 12, 15, 40, 60)
    groups = [drill(n, seed=n)[0] for n in sizes]
    begin = np.array([drill(n, seed=n)[1] for n in sizes])
    scatter = 0.006
    found = fit_groups(groups, begin, scatter)
    for k, obs in enumerate(groups):
        one = solve(obs, np.array([scatter]), begin[k : k + 1], tolerance=1e-12)
        sd = np.sqrt(np.diag(one.covariance[0]))
        assert found.family[k] == pytest.approx(one.family[0], abs=1e-3 * float(sd.min()))
        assert found.covariance[k] == pytest.approx(one.covariance[0], rel=1e-3)
        error = lines.residuals(one.family[0], obs.start_m, obs.bearing_rad) - obs.nuisance_rad @ one.nuisance[0]
        variance = np.maximum(scatter**2 + obs.sd_rad**2, LEAST_SD_RAD**2)
        left = np.sum(row_weights(error, variance, obs) * error**2 / variance) + np.sum(one.nuisance**2)
        assert found.left[k] == pytest.approx(left, rel=1e-3)
