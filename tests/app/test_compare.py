"""Whether the point has moved between sessions, and shots from mirrored corners."""

from dataclasses import replace
from math import degrees, radians

import numpy as np
import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.compare import compare, mirrored, sessions
from app.fitting.fit import fit_shot
from app.telling.point_view import point_view
from app.telling.point_words import tell_point
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


def test_a_group_whose_lines_may_as_well_be_parallel_has_no_point() -> None:
    few = [replace(r, bearing_rad=radians(50) + 0.004 * (-1) ** k) for k, r in enumerate(bare(3, 6))]
    said = compare({"a": bare(1, 12), "b": [replace(r, miss_m=0.0) for r in few]}, TABLE).to_json()
    assert said["groups"][0]["point_m"] is not None
    assert said["groups"][1]["point_m"] is None


def test_too_little_to_compare() -> None:
    said = compare({"a": bare(1), "b": bare(2, 2)}, TABLE)
    assert said.verdict == "cannot tell"
    assert said.to_json()["p_value"] is None


def test_sessions_are_in_order_of_time_and_rows_without_one_are_left_out() -> None:
    rows = [
        replace(r, at=at, session=session)
        for r, (at, session) in zip(
            kicks(4),
            [("2026-03-02T10:00", "x"), ("2026-03-01T09:00", "y"), ("2026-03-02T10:05", "x"), (None, None)],
            strict=True,
        )
    ]
    assert sessions(rows) == {"y": [1], "x": [0, 2]}


def test_the_fit_compares_its_days() -> None:
    rows = [replace(r, at=f"2026-03-{1 + r.row % 3:02d}") for r in bare(3, 18)]
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.days is not None
    assert fit.days.groups == ("2026-03-01", "2026-03-02", "2026-03-03")
    assert fit.sessions is None
    assert fit_shot(bare(3), shot_name="kick", table=TABLE).days is None


def moving(turns_deg: list[float]) -> list[AttemptRow]:
    """Sessions of twelve attempts, two a day, between which the needed bearings turn."""
    return [
        replace(r, row=12 * k + r.row, session=f"session {k}", at=f"2026-03-{1 + k // 2:02d}T{9 + 9 * (k % 2):02d}:00")
        for k, turn in enumerate(turns_deg)
        for r in bare(40 + k, 12, turned_deg=turn)
    ]


def test_where_sessions_are_known_the_fit_compares_them_and_not_the_days() -> None:
    """Morning and evening differ, and the two days' means do not: by day nothing would be seen."""
    rows = moving([0.8, -0.8, 0.8, -0.8])
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.days is None
    assert fit.sessions is not None
    assert fit.sessions.groups == ("session 0", "session 1", "session 2", "session 3")
    assert fit.sessions.attempts == (12, 12, 12, 12)
    assert fit.sessions.verdict == "moved"
    # A needed bearing that turns to the left moves the point there, by about the turn times its distance.
    middle = fit.sessions.points_m.mean(axis=0) - TABLE.centre_m
    to_left = np.array([-middle[1], middle[0]]) / np.hypot(*middle)
    off_m = (fit.sessions.points_m - TABLE.centre_m - middle) @ to_left
    assert off_m == pytest.approx(radians(0.8) * np.hypot(*middle) * np.array([1, -1, 1, -1]), rel=0.6)
    # The sd of four turns of 0.8 degrees either way is 0.92.
    assert degrees(fit.sessions.between_sd[0]) == pytest.approx(0.92, rel=0.35)
    by_day = fit_shot([replace(r, session=None) for r in rows], shot_name="kick", table=TABLE).days
    assert by_day is not None
    assert by_day.verdict == "not moved"
    assert fit_shot(moving([0.8]), shot_name="kick", table=TABLE).sessions is None


def test_a_move_is_told_in_words_with_its_size_at_the_point() -> None:
    fit = fit_shot(moving([0.8, -0.8, 0.8, -0.8]), shot_name="kick", table=TABLE)
    assert fit.sessions is not None
    said = next(s for s in tell_point(point_view(fit.to_json()), None, TABLE) if s.startswith("From session"))
    side_cm = 100 * fit.sessions.between_sd[0] / float(fit.convergence.family[1])
    told = float(said.removesuffix(" cm to the side.").rpartition(" ")[2])
    assert said.startswith("From session to session the point has moved, by more than chance would do: typically ")
    assert told == pytest.approx(side_cm, abs=0.6)
    still = tell_point(point_view(fit_shot(moving([0.0, 0.0]), shot_name="kick", table=TABLE).to_json()), None, TABLE)
    assert "From session to session the point has stayed where it was, for all that can be told." in still


def test_a_groups_sd_is_how_far_its_family_strays() -> None:
    found = [compare({"a": bare(k), "b": bare(k + 300)}, TABLE) for k in range(60)]
    sd = np.mean([c.family_sd[0] ** 2 for c in found], axis=0) ** 0.5
    assert np.std([c.families[0] for c in found], axis=0) == pytest.approx(sd, rel=0.35)


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
