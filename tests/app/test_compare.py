"""Whether the point has moved between sessions, and shots from mirrored corners."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.compare import compare, mirrored, sessions
from app.fitting.fit import fit_shot
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import kicks

TABLE = STANDARD_TABLES["9ft"]


def bare(seed: int, n: int = 10, turned_deg: float = 0.0) -> list[AttemptRow]:
    return [
        replace(r, clip=None, common_bearing_sd_rad=float("nan"), bearing_rad=r.bearing_rad + radians(turned_deg))
        for r in kicks(n, seed=seed, noise_deg=0.2)
    ]


def test_the_same_point_moves_by_chance_only_one_time_in_twenty() -> None:
    p = [compare({"a": bare(k), "b": bare(k + 500, 6)}, TABLE).p_value for k in range(30)]
    assert np.mean(np.array(p) < 0.05) < 0.2
    assert 0.3 < np.mean(p) < 0.7


def test_a_moved_point_is_seen_with_its_size() -> None:
    groups = {str(k): bare(k, 12, turned_deg=turn) for k, turn in enumerate([0.0, 1.0, -1.0, 0.5])}
    said = compare(groups, TABLE)
    assert said.verdict == "moved"
    assert said.p_value < 0.01
    assert said.between_sd[0] > radians(0.2)
    assert len(said.to_json()["groups"]) == 4


def test_a_day_with_an_attempt_known_by_its_outcome_only_is_compared_by_the_others() -> None:
    one = replace(bare(5)[0], miss_m=float("nan"), outcome="missed", miss_side="left", row=90)
    groups = {"a": [*bare(1), one], "b": bare(2)}
    with_it, without = compare(groups, TABLE), compare({"a": bare(1), "b": bare(2)}, TABLE)
    assert with_it.p_value == pytest.approx(without.p_value, rel=1e-2)
    assert with_it.groups == ("a", "b")


def test_too_little_to_compare() -> None:
    said = compare({"a": bare(1), "b": bare(2, 2)}, TABLE)
    assert said.verdict == "cannot tell"
    assert said.to_json()["p_value"] is None


def test_sessions_are_days_or_clips() -> None:
    rows = [
        replace(r, at=at, clip=clip)
        for r, (at, clip) in zip(
            kicks(4),
            [("2026-03-02T10:00", "x"), ("2026-03-01T09:00", "y"), (None, "z"), (None, None)],
            strict=True,
        )
    ]
    assert list(sessions(rows)) == ["2026-03-01", "2026-03-02", "z"]


def test_the_fit_compares_its_days() -> None:
    rows = [replace(r, at=f"2026-03-{1 + r.row % 3:02d}") for r in bare(3, 18)]
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.days is not None
    assert fit.days.groups == ("2026-03-01", "2026-03-02", "2026-03-03")
    assert fit_shot(bare(3), shot_name="kick", table=TABLE).days is None


def test_mirrored_attempts_have_the_mirrored_point() -> None:
    rows = kicks(12)
    there = fit_shot([mirrored(r, TABLE) for r in rows], shot_name="kick", table=TABLE)
    here = fit_shot(rows, shot_name="kick", table=TABLE)
    assert here.convergence.point_m is not None
    assert there.convergence.point_m is not None
    assert there.convergence.point_m[0] == pytest.approx(here.convergence.point_m[0], abs=1e-3)
    assert there.convergence.point_m[1] == pytest.approx(TABLE.width_m - here.convergence.point_m[1], abs=1e-3)
    twice = mirrored(mirrored(rows[0], TABLE), TABLE)
    assert twice.start_y_m == pytest.approx(rows[0].start_y_m)
    assert twice.miss_m == rows[0].miss_m
    one = replace(rows[0], miss_side="left", english="right", margin_left_rad=0.01, margin_right_rad=0.02)
    other = mirrored(one, TABLE)
    assert (other.miss_side, other.english, other.margin_left_rad) == ("right", "left", 0.02)
