"""The fit of a whole log, of misses and outcomes mixed, does not depend on where the table stands, which side is which,
or in what order the attempts were written down."""

from dataclasses import replace
from math import nan, radians

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.fitting.attempts_csv import AttemptRow
from app.fitting.choices import mirror_shot
from app.fitting.compare import mirrored
from app.fitting.convergence import converge
from app.fitting.fit import ShotFit, fit_shot
from app.fitting.likelihood import measured_bearings
from calibration.table import STANDARD_TABLES
from tests.app.test_convergence import CENTRE, drill
from tests.app.test_fit import KICK, kicks
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]


def log(seed: int, n: int = 14) -> list[AttemptRow]:
    """Some misses measured, some attempts known by their outcome, with margins that differ left and right."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, row in enumerate(kicks(n, seed=seed, noise_deg=0.3)):
        row = replace(row, margin_left_rad=radians(0.7), margin_right_rad=radians(0.4), clip="ab"[k % 2])
        if k % 4 == 3:
            side = [None, "left", "right"][int(rng.integers(3))]
            row = replace(row, miss_m=nan, outcome="missed" if side else "made", miss_side=side)
        rows.append(replace(row, at=f"2026-03-0{1 + k % 2}", english=["left", "none"][k % 2]))
    return rows


def fitted(rows: list[AttemptRow], shot: Shot = KICK) -> ShotFit:
    return fit_shot(rows, shot_name="kick", table=TABLE, shot=shot, marks={"middle of the table": (1.27, 0.635)})


def same(one: ShotFit, other: ShotFit) -> None:
    """What has no direction is the same."""
    assert other.convergence.status == one.convergence.status
    assert other.convergence.family[1] == pytest.approx(one.convergence.family[1], abs=1e-5)
    assert other.convergence.spread_rad == pytest.approx(one.convergence.spread_rad, rel=1e-3, abs=1e-7)
    assert other.one_point.verdict == one.one_point.verdict
    assert other.one_point.share_of_margin_at_most == pytest.approx(one.one_point.share_of_margin_at_most, rel=1e-2)
    a, b = ({r.name: r for r in f.rules} for f in (one, other))
    assert a.keys() == b.keys()
    for name in a:
        assert b[name].expected_miss_m == pytest.approx(a[name].expected_miss_m, rel=1e-2), name
    assert [w.row for w in sorted(other.weights, key=lambda w: w.row)] == [w.row for w in one.weights]


@pytest.mark.parametrize(("across", "along"), [(True, False), (False, True), (True, True)])
@pytest.mark.parametrize("seed", [1, 2])
def test_seen_in_a_mirror_or_from_the_other_end_it_is_the_same_fit(seed: int, across: bool, along: bool) -> None:
    rows = log(seed)
    there = fitted(
        [mirrored(r, TABLE, across=across, along=along) for r in rows], mirror_shot(KICK, TABLE, across, along)
    )
    here = fitted(rows)
    same(here, there)
    point, image = here.convergence.point_m, there.convergence.point_m
    assert (point is None) == (image is None)
    if point is not None and image is not None:
        expected = [TABLE.length_m - point[0] if along else point[0], TABLE.width_m - point[1] if across else point[1]]
        assert image == pytest.approx(expected, abs=1e-4)


@settings(max_examples=3, deadline=None)
@given(st.integers(0, 10_000))
def test_the_order_of_the_rows_does_not_matter(seed: int) -> None:
    rows = log(seed)
    order = np.random.default_rng(seed).permutation(len(rows))
    here, there = fitted(rows), fitted([rows[k] for k in order])
    same(here, there)
    assert there.convergence.family == pytest.approx(here.convergence.family, abs=1e-5)
    assert there.convergence.family_covariance == pytest.approx(here.convergence.family_covariance, rel=1e-2, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_log_entered_twice_halves_the_covariance_but_for_the_degrees_of_freedom(seed: int) -> None:
    """Scatter estimated: the residual sum of squares doubles over 2 n - 2 in place of n - 2."""
    obs = drill(seed, n := 10)
    once = measured_bearings(obs.start_m, obs.bearing_rad)
    twice = measured_bearings(np.repeat(obs.start_m, 2, axis=0), np.repeat(obs.bearing_rad, 2))
    a, b = converge(once, CENTRE), converge(twice, CENTRE)
    assert b.family == pytest.approx(a.family, abs=1e-6)
    assert b.family_covariance == pytest.approx(a.family_covariance / 2 * (n - 2) / (n - 1), rel=2e-3)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 5.0))
def test_a_table_of_another_size_has_the_point_of_that_size(seed: int, size: float) -> None:
    obs = drill(seed)
    a, b = converge(obs, CENTRE), converge(replace(obs, start_m=obs.start_m * size), CENTRE * size)
    assert b.status == a.status
    assert b.family[0] == pytest.approx(a.family[0], abs=1e-6)
    assert b.family[1] * size == pytest.approx(a.family[1], abs=1e-5)
