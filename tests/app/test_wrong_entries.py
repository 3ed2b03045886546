"""Wrong entries count little, are listed with a reason, and leave the answer where the others put it."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.fit import fit_shot
from app.fitting.likelihood import WRONG_SHARE, measured_bearings, weights
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import kicks
from tests.app.test_outcomes import rows_of_outcomes
from tests.app.test_published_fixes import lenth

TABLE = STANDARD_TABLES["9ft"]


def test_lenths_outlier_is_left_out_as_in_andrews_estimate() -> None:
    """Published: Andrews' estimate of all eight bearings is (7.21, 1.97), that of the seven good ones; se .156, .155,
    correlation .669. Huber's, which only bounds the sixth, stays at (6.78, 1.66)."""
    at, angle = lenth(8)
    centre = at.mean(axis=0)
    obs = replace(measured_bearings(at - centre, angle), wrong_share=WRONG_SHARE)
    found = converge(obs, centre)
    assert found.row_weight[5] < 0.01
    assert np.all(np.delete(found.row_weight, 5) > 0.9)
    point = centre + lines.to_point(found.family)
    assert point == pytest.approx([7.21, 1.97], abs=0.03)
    bend = lines.point_jacobian(found.family)
    covariance = bend @ found.family_covariance @ bend.T
    se = np.sqrt(np.diag(covariance))
    # Theirs divides by the rows that count, ours by two less.
    assert se * np.sqrt(5 / 7) == pytest.approx([0.156, 0.155], rel=0.1)
    assert covariance[0, 1] / se.prod() == pytest.approx(0.669, abs=0.05)


def test_a_weight_falls_from_one_to_nothing_with_the_error() -> None:
    error = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 30.0])
    sd = radians(0.3)
    weight = weights(sd * error, np.full(7, sd**2), WRONG_SHARE)
    assert np.all(np.diff(weight) < 0)
    assert weight[0] > 0.99
    assert weight[5] < 1e-3


def test_a_mistyped_bearing_is_listed_and_does_no_harm() -> None:
    rows = kicks(14)
    clean = fit_shot(rows, shot_name="kick", table=TABLE)
    rows[4] = replace(rows[4], bearing_rad=rows[4].bearing_rad + radians(10))
    spoilt = fit_shot(rows, shot_name="kick", table=TABLE)
    assert [w.row for w in spoilt.weights] == [rows[4].row]
    assert spoilt.weights[0].weight < 0.01
    assert "sd from the others" in spoilt.weights[0].why
    assert spoilt.used == 14
    assert spoilt.convergence.family == pytest.approx(clean.convergence.family, abs=0.02)


def test_below_eight_attempts_nothing_is_called_wrong() -> None:
    rows = kicks(7)
    rows[4] = replace(rows[4], bearing_rad=rows[4].bearing_rad + radians(10))
    assert fit_shot(rows, shot_name="kick", table=TABLE).weights == ()


def test_an_outcome_that_contradicts_all_others_counts_little() -> None:
    rows = rows_of_outcomes(120)
    wild = replace(rows[0], bearing_rad=rows[0].bearing_rad + radians(8), outcome="made", miss_side=None)
    fit = fit_shot([*rows, replace(wild, row=500)], shot_name="kick", table=TABLE)
    listed = {w.row: w for w in fit.weights}
    assert listed[500].weight < 0.01
    assert "contradicts" in listed[500].why
