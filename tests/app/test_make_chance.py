"""The chance to make a shot: against simulated strokes, at its edges, and against published fits of golf putts."""

from math import degrees, inf, nan, radians

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import binom, norm
from statsmodels.api import GLM, add_constant, families

from app.margins.shot_margins import margins
from app.stroke.make_chance import line_and_speed_chance, make_chance, speed_chance
from app.stroke.outcome_fit import binomial_log_likelihood, spread_of_outcomes
from calibration.table import STANDARD_TABLES, Vector
from calibration.unfold import reflect
from tests.published import published
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
# Golf, feet: half of what the hole (4.25 in) is wider than the ball (1.68 in).
GAP_FT = (4.25 - 1.68) / 2 / 12


@pytest.mark.parametrize(
    ("left_deg", "right_deg", "spread_deg", "offset_deg"),
    [(0.5, 0.5, 0.4, 0.0), (0.9, 0.2, 0.4, 0.0), (0.9, 0.2, 0.4, 0.3), (1.2, -0.3, 0.5, -0.1), (inf, 0.1, 0.7, 0.0)],
)
def test_against_simulated_strokes(left_deg: float, right_deg: float, spread_deg: float, offset_deg: float) -> None:
    error = np.random.default_rng(7).normal(offset_deg, spread_deg, 400_000)
    share = np.mean((error <= left_deg) & (error >= -right_deg))
    chance = make_chance(radians(left_deg), radians(right_deg), radians(spread_deg), radians(offset_deg))
    assert chance == pytest.approx(share, abs=4 * 0.5 / np.sqrt(len(error)))


def test_strokes_simulated_over_the_rail_are_made_as_often_as_told() -> None:
    shot = Shot("kick at a ball", "kick", ("left",), "hit", target_ball=(1.9, 0.6))
    start, spread = np.array([0.6, 0.3]), radians(1.5)
    found = margins(shot, TABLE, start)
    assert found is not None
    made = 0
    delivered = np.random.default_rng(3).normal(float(found.best_rad), spread, 2000)
    for bearing in delivered:
        contacts, arrival = reflect(start, bearing, shot.rails, TABLE)
        apart = np.array([1.9, 0.6]) - contacts[-1].at_m
        made += abs(np.sin(arrival) * apart[0] - np.cos(arrival) * apart[1]) <= 2 * TABLE.ball_radius_m
    told = float(make_chance(found.half_rad, found.half_rad, spread))
    assert 0.5 < told < 0.95
    assert binom.cdf(made, 2000, told) == pytest.approx(0.5, abs=0.499)


def test_two_factors_against_simulated_strokes() -> None:
    rng = np.random.default_rng(11)
    line, speed = rng.normal(0.1, 0.4, 400_000), rng.normal(1.05, 0.2, 400_000)
    share = np.mean((line <= 0.6) & (line >= -0.3) & (speed >= 0.9) & (speed <= 1.4))
    chance = line_and_speed_chance(0.6, 0.3, 0.4, 0.1, 0.4, 0.2, offset_rad=0.1, speed_offset=0.05)
    assert chance == pytest.approx(share, abs=4 * 0.5 / np.sqrt(len(line)))
    assert chance == make_chance(0.6, 0.3, 0.4, 0.1) * speed_chance(0.1, 0.4, 0.2, 0.05)


def test_edges() -> None:
    assert make_chance(0.1, 0.1, 0.0) == 1.0
    assert make_chance(0.1, 0.1, 0.0, 0.2) == 0.0
    assert make_chance(0.1, 0.1, 0.0, -0.1) == 1.0
    assert make_chance(-0.1, 0.1, 0.5) == 0.0
    assert make_chance(-0.2, 0.1, 0.5) == 0.0
    assert make_chance(inf, inf, 0.5) == 1.0
    assert np.isnan(make_chance([nan, 0.1, 0.1, 0.1], [0.1, nan, 0.1, 0.1], [0.1, 0.1, nan, 0.1], [0, 0, 0, nan])).all()
    # Ten to eleven sd away to either side: the upper tail without rounding.
    tail = norm.sf(10) - norm.sf(11)
    assert make_chance(11.0, -10.0, 1.0) == pytest.approx(tail, rel=1e-12)
    assert make_chance(-10.0, 11.0, 1.0) == pytest.approx(tail, rel=1e-12)
    # Turned round, left and right change places.
    assert make_chance(0.7, 0.2, 0.4, 0.1) == pytest.approx(make_chance(0.2, 0.7, 0.4, -0.1), rel=1e-14)
    assert make_chance(np.ones((3, 1)), np.ones(4), 0.5).shape == (3, 4)
    with pytest.raises(ValueError, match="below zero"):
        make_chance(0.1, 0.1, -0.1)


def putts(name: str) -> tuple[Vector, Vector, Vector]:
    rows = published(name)
    return tuple(np.array([float(row[key]) for row in rows]) for key in ("feet", "tries", "made"))  # type: ignore[return-value]


def test_published_spread_of_the_angle_of_golf_putts() -> None:
    """Published: Gelman and Nolan, Teaching Statistics, 2002, .026 rad (1.5 degrees); case study at mc-stan.org, 1.53
    (.02) degrees. More digits: recomputed apart from this code."""
    feet, tries, made = putts("golf_putts")
    gap = np.arcsin(GAP_FT / feet)
    found = spread_of_outcomes(gap, gap, tries, made)
    assert degrees(found.spread_rad) == pytest.approx(1.53, abs=0.005)
    assert degrees(found.sd_rad) == pytest.approx(0.02, abs=0.005)
    assert degrees(found.spread_rad) == pytest.approx(1.52667, abs=6e-6)
    assert degrees(found.sd_rad) == pytest.approx(0.02270, abs=6e-6)
    assert found.log_likelihood == pytest.approx(-83.4459, abs=6e-5)
    assert found.deviance == pytest.approx(60.312, abs=6e-4)
    half = (degrees(found.high_rad) - degrees(found.low_rad)) / 2
    assert half == pytest.approx(1.96 * 0.0227, rel=0.01)
    told = make_chance(gap, gap, found.spread_rad)
    assert told[[0, 1, 4, 9, 18]] == pytest.approx([0.9556, 0.8197, 0.4970, 0.2852, 0.1593], abs=6e-5)


def test_geometry_tells_putts_better_than_a_logistic_curve() -> None:
    """The same case study: logistic regression a = 2.23 (.06), b = -0.26 (.01), by statsmodels."""
    feet, tries, made = putts("golf_putts")
    logistic = GLM(np.column_stack([made, tries - made]), add_constant(feet), family=families.Binomial()).fit()
    assert logistic.params == pytest.approx([2.23, -0.26], abs=0.005)
    assert logistic.deviance == pytest.approx(255.343, abs=6e-4)
    gap = np.arcsin(GAP_FT / feet)
    assert spread_of_outcomes(gap, gap, tries, made).deviance < logistic.deviance / 4


@pytest.mark.parametrize("start", [(0.02, 0.1, 0.003), (0.05, 0.02, 0.01), (0.01, 0.2, 0.001)])
def test_published_line_and_length_of_golf_putts(start: tuple[float, float, float]) -> None:
    """Published: the same case study, sigma_angle .018, sigma_distance .080, sigma_y .003; more digits: recomputed
    apart from this code. The shares are normal round the chances, with the binomial variance and sigma_y squared."""
    feet, tries, made = putts("golf_putts_long")
    assert (tries.sum(), made.sum()) == (1253196, 766741)
    gap, share = np.arcsin(GAP_FT / feet), made / tries

    def cost(log_spreads: Vector) -> float:
        line, length, rest = np.exp(log_spreads)
        # Good are lengths up to 1 ft shorter and 2 ft longer than the 1 ft past the hole that is intended.
        p = line_and_speed_chance(gap, gap, line, 1 / (feet + 1), 2 / (feet + 1), length)
        return -float(norm.logpdf(share, p, np.sqrt(p * (1 - p) / tries + rest**2)).sum())

    found = minimize(
        cost, np.log(start), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000}
    )
    line, length, rest = np.exp(found.x)
    assert (line, length, rest) == pytest.approx((0.018, 0.080, 0.003), abs=5e-4)
    assert line == pytest.approx(0.017802, abs=6e-7)
    assert length == pytest.approx(0.080067, abs=6e-7)
    assert rest == pytest.approx(0.002774, abs=6e-7)
    assert degrees(line) == pytest.approx(1.01998, abs=3e-5)


def test_spread_of_outcomes_at_its_edges() -> None:
    margin = radians(0.5)
    every = spread_of_outcomes(margin, margin, 10, 10)
    assert every.low_rad == 0
    # The chance at the upper limit makes ten of ten as unlikely as the level allows.
    assert 10 * np.log(make_chance(margin, margin, every.high_rad)) == pytest.approx(-0.5 * 3.841459, abs=1e-5)
    none = spread_of_outcomes([margin, nan], [margin, margin], [10, 4], [0, 1])
    assert none.high_rad == inf or none.high_rad > radians(20)
    assert none.low_rad > margin
    tilted = spread_of_outcomes(3 * margin, -margin, 1000, 477, 2 * margin)
    assert make_chance(margin, margin, tilted.spread_rad) == pytest.approx(0.477, abs=1e-6)
    with pytest.raises(ValueError, match="no count"):
        spread_of_outcomes(nan, nan, 10, 5)
    with pytest.raises(ValueError, match="not more"):
        spread_of_outcomes(0.1, 0.1, 10, 11)


def test_likelihood_of_counts() -> None:
    """Against scipy's binomial distribution."""
    p, n, made = np.array([0.2, 0.7, 1.0]), np.array([5, 9, 3]), np.array([1, 8, 3])
    assert binomial_log_likelihood(p, n, made) == pytest.approx(binom.logpmf(made, n, p).sum(), rel=1e-12)
    assert binomial_log_likelihood(np.zeros(1), np.ones(1), np.ones(1)) == -inf


def test_spread_of_outcomes_holds_the_truth_as_often_as_told() -> None:
    rng = np.random.default_rng(5)
    left, right, truth = rng.uniform(0.002, 0.02, 60), rng.uniform(0.002, 0.02, 60), radians(0.6)
    drills, held = 300, 0
    for _ in range(drills):
        error = rng.normal(0, truth, 60)
        made = (error <= left) & (error >= -right)
        found = spread_of_outcomes(left, right, 1, made)
        held += found.low_rad <= truth <= found.high_rad
    # 3.3 binomial standard deviations to either side of 95 %.
    assert held / drills == pytest.approx(0.95, abs=3.3 * np.sqrt(0.95 * 0.05 / drills))
