"""One point or not: three answers, against margins, with the envelope."""

from math import radians

import numpy as np
import pytest

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.likelihood import measured_bearings
from app.fitting.one_point import OnePoint, judge

CENTRE = np.array([1.27, 0.635])
FAMILY = np.array([0.95, 0.45])


def verdict(curve_deg: float, noise_deg: float, margin_deg: float, n: int = 24, seed: int = 1) -> OnePoint:
    """Lines that a point fits but for a quadratic in the offset across the aim, ``curve_deg`` at the outermost."""
    rng = np.random.default_rng(seed)
    start = rng.uniform([-1.1, -0.5], [0.2, 0.5], (n, 2))
    across = lines.cross(np.broadcast_to(lines.unit(FAMILY[0]), start.shape), start)
    t = (across - across.mean()) / np.abs(across - across.mean()).max()
    bearing = lines.needed_bearings(FAMILY, start) + radians(curve_deg) * t**2 + rng.normal(0, radians(noise_deg), n)
    obs = measured_bearings(start, bearing)
    found = converge(obs, CENTRE)
    return judge(obs, found, np.full(n, radians(margin_deg)), np.full(n, -2.5), CENTRE, None)


def test_straight_lines_well_measured_are_enough() -> None:
    said = verdict(0.0, 0.1, 1.0)
    assert said.verdict == "enough"
    assert said.share_of_margin <= said.share_of_margin_at_most < 0.25


def test_a_strong_curve_is_not_enough() -> None:
    said = verdict(2.0, 0.1, 0.5)
    assert said.verdict == "not enough"
    assert said.share_of_margin > 0.25
    assert said.extra_miss_m > 0.005


def test_the_same_curve_is_enough_for_a_forgiving_target() -> None:
    assert verdict(0.4, 0.05, 3.0).verdict == "enough"
    assert verdict(0.4, 0.05, 0.2).verdict == "not enough"


def test_noise_cannot_tell() -> None:
    said = verdict(0.3, 0.8, 0.6, n=8)
    assert said.verdict == "cannot tell"
    assert said.reason


def test_few_attempts_unknown_margins_and_few_offsets_cannot_tell() -> None:
    assert verdict(0.0, 0.1, 1.0, n=4).verdict == "cannot tell"
    assert "margins" in verdict(0.0, 0.1, float("nan")).reason
    start = np.repeat(np.array([[-0.8, -0.3], [-0.3, 0.3]]), 6, axis=0)
    obs = measured_bearings(start, lines.needed_bearings(FAMILY, start) + np.tile([-0.003, 0.003], 6))
    said = judge(obs, converge(obs, CENTRE), np.full(12, 0.02), np.full(12, 2.5), CENTRE, None)
    assert said.verdict == "cannot tell"
    assert "three offsets" in said.reason


def test_one_points_envelope_is_that_point() -> None:
    said = verdict(0.0, 0.001, 1.0)
    point = CENTRE + lines.to_point(FAMILY)
    assert len(said.envelope) >= 3
    for local in said.envelope:
        assert local.point_m is not None
        assert local.point_m == pytest.approx(point, abs=0.02)


def test_a_curves_envelope_moves() -> None:
    said = verdict(1.0, 0.001, 1.0)
    places = [local.point_m for local in said.envelope if local.point_m is not None]
    assert float(np.hypot(*(places[-1] - places[0]))) > 0.05


def test_true_curves_are_seldom_called_enough() -> None:
    """At the bound of a quarter of the margin, one in twenty at most."""
    wrong = 0
    for seed in range(60):
        strong = verdict(0.9, 0.15, 0.6, n=12, seed=seed)
        wrong += strong.verdict == "enough"
    assert wrong <= 6
