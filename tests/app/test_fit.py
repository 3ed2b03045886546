"""From logged rows to the published JSON."""

import json
from dataclasses import replace
from math import radians

import numpy as np
import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import fit_shot
from app.fitting.log_fit import fit_all
from app.fitting.margins import half_width
from calibration.table import STANDARD_TABLES
from calibration.unfold import unfold
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
KICK = Shot("kick", "kick", ("left",), "pocketed", target_pocket="foot-right")


def kicks(n: int = 12, seed: int = 1, noise_deg: float = 0.1, aim_deg: float = 0.5) -> list[AttemptRow]:
    """Attempts at one rail to the corner on an ideal table: bearings off by up to ``aim_deg``, misses measured."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        start = rng.uniform([0.2, 0.15], [1.6, 0.9])
        path = unfold(start, KICK.target_point_m(TABLE), KICK.rails, TABLE)
        off = rng.normal(0, radians(aim_deg))
        rows.append(
            AttemptRow(
                row=k + 2,
                shot="kick",
                start_x_m=float(start[0]),
                start_y_m=float(start[1]),
                bearing_rad=path.bearing_rad + off,
                bearing_sd_rad=radians(0.04),
                clip="one" if k % 2 else "two",
                common_bearing_sd_rad=radians(0.03),
                miss_m=(off + rng.normal(0, radians(noise_deg))) * path.miss_per_rad_m,
                miss_sd_m=0.003,
                miss_per_rad_m=path.miss_per_rad_m,
                outcome="missed",
            )
        )
    return rows


def test_an_ideal_tables_point_is_the_targets_image() -> None:
    image = unfold(np.array([0.6, 0.4]), KICK.target_point_m(TABLE), KICK.rails, TABLE).image_m
    fit = fit_shot(kicks(), shot_name="kick", table=TABLE, shot=KICK)
    said = fit.to_json()
    assert said["status"] == "point"
    offset = np.array(said["point_m"]) - image
    assert offset @ np.linalg.solve(np.array(said["covariance_m2"]), offset) < 20
    assert float(np.hypot(*offset)) < 0.2
    assert said["used"] == said["attempts"] == 12
    assert said["weights"] == []


def test_the_json_has_the_published_fields_and_is_json() -> None:
    said = json.loads(json.dumps(fit_shot(kicks(), shot_name="kick", table=TABLE).to_json(), allow_nan=False))
    for name in (
        "schema", "shot", "attempts", "used", "point_m", "covariance_m2", "ellipse", "direction_deg",
        "inverse_distance_per_m", "region", "spread_deg", "one_point", "rules", "weights",
    ):  # fmt: skip
        assert name in said
    assert said["region"][0] == said["region"][-1]
    assert 0 <= said["ellipse"]["angle_deg"] < 180
    assert 0 <= said["direction_deg"] < 360


def test_misses_are_taken_out_of_the_bearings() -> None:
    """Aim two degrees off everywhere, always to one side: the measured misses bring the point back."""
    rows = [replace(r, bearing_rad=r.bearing_rad + radians(2), miss_m=r.miss_m + radians(2) * r.miss_per_rad_m)
            for r in kicks(noise_deg=0.02, aim_deg=0.1)]  # fmt: skip
    a = fit_shot(kicks(noise_deg=0.02, aim_deg=0.1), shot_name="kick", table=TABLE)
    b = fit_shot(rows, shot_name="kick", table=TABLE)
    assert np.degrees(b.convergence.family[0] - a.convergence.family[0]) == pytest.approx(0, abs=0.3)
    # And the correction's unknown gain makes the answer less sure.
    assert b.convergence.family_covariance[0, 0] > a.convergence.family_covariance[0, 0]


def test_rows_that_say_nothing_are_kept_with_weight_zero_and_a_reason() -> None:
    rows = kicks(8)
    bare = replace(rows[0], miss_m=float("nan"))
    rows += [
        replace(bare, row=20, outcome="made"),
        replace(bare, row=21, outcome=None),
        replace(bare, row=22, outcome="missed"),
        replace(rows[0], row=23, miss_m=0.01, miss_per_rad_m=float("nan")),
    ]
    said = fit_shot(rows, shot_name="kick", table=TABLE).to_json()
    assert said["attempts"] == 12
    assert said["used"] == 8
    weights = {w["row"]: w for w in said["weights"]}
    assert set(weights) == {20, 21, 22, 23}
    assert all(w["weight"] == 0 and w["why"] for w in weights.values())
    assert "margin" in weights[20]["why"]
    assert "miss_per_deg_m" in weights[23]["why"]


def test_the_shot_file_tells_what_a_degree_is_worth() -> None:
    rows = [replace(r, miss_per_rad_m=float("nan")) for r in kicks()]
    evidence = gather(rows, TABLE, KICK)
    assert evidence.miss_per_rad_m == pytest.approx([r.miss_per_rad_m for r in kicks()])
    assert len(gather(rows, TABLE).rows) == 0


def test_a_made_attempt_with_a_measured_miss_is_used_as_measured() -> None:
    rows = [replace(r, outcome="made") for r in kicks()]
    assert gather(rows, TABLE).measured == 12


def test_shots_come_in_order_of_first_appearance() -> None:
    rows = kicks(6)
    mixed = [replace(r, shot=name) for r, name in zip(rows * 2, ["b", "a", "c"] * 4, strict=True)]
    assert [f.shot for f in fit_all(mixed, TABLE, {})] == ["b", "a", "c"]
    assert sum(f.attempts for f in fit_all(mixed, TABLE)) == 12


def test_too_few_attempts_give_nulls_and_a_reason() -> None:
    said = fit_shot(kicks(2), shot_name="kick", table=TABLE).to_json()
    assert said["point_m"] is None
    assert said["ellipse"] is None
    assert said["region"] is None
    assert said["spread_deg"] is None
    assert said["status"] == "refused"
    assert "at least 3" in said["reason"]
    none = fit_shot([], shot_name="kick", table=TABLE).to_json()
    assert none["attempts"] == 0
    assert none["reason"]


def test_a_turn_common_to_the_clip_is_not_averaged_away() -> None:
    rows = [replace(r, clip="one", common_bearing_sd_rad=radians(0.5)) for r in kicks(40)]
    alone = [replace(r, clip=None, common_bearing_sd_rad=float("nan")) for r in rows]
    wide = fit_shot(rows, shot_name="kick", table=TABLE).convergence.family_covariance
    narrow = fit_shot(alone, shot_name="kick", table=TABLE).convergence.family_covariance
    # Part of a turn shows, since near starts and far ones would need different points; the rest stays unknown.
    assert radians(0.1) < np.sqrt(wide[0, 0]) < radians(0.5)
    assert np.sqrt(narrow[0, 0]) < radians(0.1)


def test_whatever_was_logged_the_fit_answers() -> None:
    rng = np.random.default_rng(11)
    nan = float("nan")
    seen = set()
    for _ in range(16):
        rows = []
        for k in range(int(rng.integers(1, 14))):
            start = rng.uniform([0, 0], [2.54, 1.27]).round(int(rng.integers(0, 4)))
            rows.append(
                AttemptRow(
                    row=k + 2,
                    shot="kick",
                    start_x_m=float(start[0]),
                    start_y_m=float(start[1]),
                    bearing_rad=float(rng.choice([rng.uniform(0, 6.3), 1 + rng.normal(0, 0.02)])),
                    bearing_sd_rad=float(rng.choice([nan, 0, 0.001, 0.5])),
                    clip=str(rng.choice(["a", "b"])),
                    common_bearing_sd_rad=float(rng.choice([nan, 0, 0.001, 1.0])),
                    miss_m=float(rng.choice([nan, 0, 0.01, -0.5, 3])),
                    miss_sd_m=float(rng.choice([nan, 0, 0.003])),
                    miss_per_rad_m=float(rng.choice([nan, -2.5, 2.5, 1e-9, 0])),
                    outcome=[None, "made", "missed"][int(rng.integers(3))],
                    miss_side=[None, "left", "right"][int(rng.integers(3))],
                    margin_left_rad=float(rng.choice([nan, 0, 0.01])),
                    margin_right_rad=float(rng.choice([nan, 0, 0.02])),
                    speed_mps=float(rng.choice([2, 3])),
                )
            )
        fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK, marks={"pole": (3.0, 3.0)})
        json.dumps(fit.to_json(), allow_nan=False)
        assert (fit.convergence.point_m is None) == (fit.convergence.status != "point")
        assert (fit.convergence.reason == "") == (fit.convergence.status == "point")
        seen.add(fit.convergence.status)
    assert len(seen) > 1


def test_the_next_start_crosses_the_lines_so_far() -> None:
    """All shot from one line of aim: the start advised lies well to the side of it."""
    rng = np.random.default_rng(2)
    aim = np.array([np.cos(0.9), np.sin(0.9)])
    rows = [
        replace(r, start_x_m=float(0.5 + s * aim[0]), start_y_m=float(0.3 + s * aim[1]), bearing_rad=0.9, miss_m=0.0)
        for r, s in zip(kicks(6), rng.uniform(0, 0.3, 6), strict=True)
    ]
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.convergence.status == "refused"
    assert fit.next_start_m is not None
    away = fit.next_start_m - [0.5, 0.3]
    assert abs(aim[0] * away[1] - aim[1] * away[0]) > 0.3
    assert np.all(fit.next_start_m > 0)
    assert np.all(fit.next_start_m < [TABLE.length_m, TABLE.width_m])


# From here the ideal path would meet the left rail in the mouth of its side pocket.
NO_PATH_M = (0.37, 0.25)


def possible_from(row: AttemptRow) -> bool:
    start = np.array([row.start_x_m, row.start_y_m])
    return unfold(start, KICK.target_point_m(TABLE), KICK.rails, TABLE).possible


def outcomes_only(rows: list[AttemptRow]) -> list[AttemptRow]:
    return [
        replace(r, miss_m=float("nan"), outcome="made" if abs(r.miss_m) < 0.03 else "missed",
                miss_side="left" if r.miss_m * r.miss_per_rad_m > 0 else "right")
        for r in rows
    ]  # fmt: skip


def test_where_the_path_is_impossible_the_geometry_lends_no_margin() -> None:
    """A made attempt says nothing there, one missed to a side says its side, and the reason is told."""
    there = dict(zip(("start_x_m", "start_y_m"), NO_PATH_M, strict=True))
    path = unfold(np.array(NO_PATH_M), KICK.target_point_m(TABLE), KICK.rails, TABLE)
    assert not path.possible
    rows = [row for row in outcomes_only(kicks(24)) if possible_from(row)]
    made, missed = (
        replace(rows[0], row=row, bearing_rad=path.bearing_rad, outcome=outcome, miss_side=side, **there)
        for row, outcome, side in ((40, "made", None), (41, "missed", "left"))
    )
    evidence = gather([*rows, made, missed], TABLE, KICK)
    assert [(row.row, why.partition(":")[0]) for row, why in evidence.unused] == [(40, "no margin is known there")]
    # The needed bearing lies to the right of the one delivered, by how much is not known.
    assert (evidence.observations.low_rad[-1], evidence.observations.high_rad[-1]) == (-np.inf, 0.0)
    assert np.isfinite(evidence.margin_rad[:-1]).all()
    with_it = fit_shot([*rows, made], shot_name="kick", table=TABLE, shot=KICK).convergence
    without = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK).convergence
    assert with_it.family == pytest.approx(without.family, abs=1e-12)


def test_the_verdict_leaves_impossible_starts_out_and_says_so() -> None:
    rows = kicks(20)
    spoilt = [replace(r, row=r.row + 30, start_x_m=NO_PATH_M[0], start_y_m=NO_PATH_M[1]) for r in rows[:2]]
    path = unfold(np.array(NO_PATH_M), KICK.target_point_m(TABLE), KICK.rails, TABLE)
    spoilt = [replace(r, bearing_rad=path.bearing_rad, miss_m=0.0) for r in spoilt]
    evidence = gather([*rows, *spoilt], TABLE, KICK)
    margin = half_width(KICK, TABLE, evidence.observations.start_m + TABLE.centre_m)
    assert np.isnan(margin[-2:]).all()
    assert np.isfinite(margin[:-2]).tolist() == [possible_from(row) for row in rows]
    said = fit_shot([*rows, *spoilt], shot_name="kick", table=TABLE, shot=KICK).one_point
    assert said.verdict == "enough"
    assert "of which a margin is known" in said.reason
