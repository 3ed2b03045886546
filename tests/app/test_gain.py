"""The correction by measured misses where the player errs to one side: the point is not moved, nor the scatter told
too small, whether or not the player's line follows what moves the line needed."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from app.fitting import lines
from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import fit_shot
from app.fitting.gain import GAIN_SD, gain_column
from app.fitting.region import CONFIDENCE, p_values
from app.fitting.scatter import integrate_scatter
from calibration.table import STANDARD_TABLES, Vector

TABLE = STANDARD_TABLES["9ft"]
POINT = np.array([2.4, 2.4])
SCATTER_RAD = radians(0.3)
WORTH_M = -2.5


def one_sided(rng: np.random.Generator, n: int, *, follows: bool, gain: float = 1.0) -> list[AttemptRow]:
    rows = []
    for k in range(n):
        x, y = float(rng.uniform(0.2, 1.5)), float(rng.uniform(0.15, 0.9))
        moved, off = rng.normal(0, SCATTER_RAD), rng.normal(radians(0.8), radians(0.6))
        needed = float(np.arctan2(POINT[1] - y, POINT[0] - x)) + moved
        delivered = needed + off if follows else needed - moved + off
        miss = (delivered - needed) / gain * WORTH_M
        rows.append(
            AttemptRow(
                k + 2, "kick", x, y, delivered, bearing_sd_rad=radians(0.05), miss_m=float(miss), miss_sd_m=0.002,
                miss_per_rad_m=WORTH_M,
            )
        )  # fmt: skip
    return rows


@pytest.mark.parametrize("follows", [False, True])
def test_the_region_holds_the_point_of_a_player_who_errs_to_one_side(follows: bool) -> None:
    rng, drills, held = np.random.default_rng(9), 60, 0
    scatter = []
    truth = lines.from_point(POINT - TABLE.centre_m)
    for _ in range(drills):
        rows = one_sided(rng, 40, follows=follows)
        obs = gather(rows, TABLE).observations
        held += bool(p_values(obs, integrate_scatter(obs, None), truth[None])[0] >= 1 - CONFIDENCE)
        scatter.append(fit_shot(rows, shot_name="kick", table=TABLE).convergence.spread_rad)
    assert held >= 0.95 * drills - 3.3 * np.sqrt(0.05 * 0.95 * drills)
    assert np.median(scatter) == pytest.approx(SCATTER_RAD, rel=0.09)


def test_rails_that_are_no_mirrors_are_reckoned_with() -> None:
    """A gain drawn as it is assumed to be: without its part hardly any region would hold the point."""
    rng, drills, held, bare = np.random.default_rng(10), 60, 0, 0
    truth = lines.from_point(POINT - TABLE.centre_m)
    for _ in range(drills):
        rows = one_sided(rng, 40, follows=False, gain=float(rng.normal(1, GAIN_SD)))
        obs = gather(rows, TABLE).observations
        held += bool(p_values(obs, integrate_scatter(obs, None), truth[None])[0] >= 1 - CONFIDENCE)
        alone = replace(obs, nuisance_rad=np.zeros((len(obs), 0)))
        bare += bool(p_values(alone, integrate_scatter(alone, None), truth[None])[0] >= 1 - CONFIDENCE)
    assert held >= 0.95 * drills - 3.3 * np.sqrt(0.05 * 0.95 * drills)
    assert bare < 0.75 * drills


def test_what_a_family_of_lines_cannot_follow_is_no_part() -> None:
    rng = np.random.default_rng(1)
    start = rng.uniform([-1, -0.5], [0.3, 0.5], (20, 2))
    bearing = np.full(20, 0.9)
    across = np.cos(0.9) * start[:, 1] - np.sin(0.9) * start[:, 0]
    smooth: Vector = 0.02 + 0.01 * across
    every = np.ones(20, dtype=bool)
    assert gain_column(smooth, start, bearing, every) == pytest.approx(GAIN_SD * smooth)
    noisy = gain_column(smooth + rng.normal(0, 0.01, 20), start, bearing, every)
    parts = np.column_stack([np.ones(20), across])
    assert noisy == pytest.approx(parts @ np.linalg.lstsq(parts, noisy, rcond=None)[0])
    # One wild entry does not carry the others with it, and one without a measured miss has no part.
    wild = smooth.copy()
    wild[3] = 1.0
    assert np.abs(gain_column(wild, start, bearing, every) - GAIN_SD * smooth).max() < 0.001
    some = every.copy()
    some[5] = False
    assert gain_column(smooth, start, bearing, some)[5] == 0
    assert not gain_column(smooth, start, bearing, ~every).any()
