"""Aiming rules compared on the same attempts, margins, and what a fit says it has pooled."""

from dataclasses import replace
from math import atan2, degrees, nan, radians

import numpy as np
import pytest

from app.fitting.fit import fit_shot
from app.fitting.pooled import pooled, speed_word, split
from calibration.table import STANDARD_TABLES
from calibration.unfold import unfold
from tests.app.test_fit import KICK, kicks
from tests.app.test_outcomes import rows_of_outcomes

TABLE = STANDARD_TABLES["9ft"]


def test_on_an_ideal_table_the_mirror_rule_wins() -> None:
    fit = fit_shot(kicks(20, noise_deg=0.2), shot_name="kick", table=TABLE, shot=KICK, marks={"lamp": (2.5, 3.4)})
    rules = {r.name: r for r in fit.rules}
    assert set(rules) == {"point", "parallel", "mirror", "half-way line", "pocket", "mark:lamp"}
    # The fitted point is by its making what the fit expects to miss least; the mirror, which is right, lies well within
    # what that leaves open, and has nothing to fit.
    assert rules["mirror"].expected_miss_m < rules["point"].expected_miss_range_m[1]
    assert rules["mirror"].expected_miss_m < 1.25 * rules["point"].expected_miss_m
    assert rules["mirror"].aicc < rules["point"].aicc
    for name in ("parallel", "pocket", "mark:lamp"):
        assert rules[name].expected_miss_m > 3 * rules["point"].expected_miss_m
        assert rules[name].aicc > rules["point"].aicc + 10
    misses = [r.expected_miss_m for r in fit.rules]
    assert misses == sorted(misses)
    for r in fit.rules:
        low, high = r.expected_miss_range_m
        assert low < r.expected_miss_m < high


def test_expected_miss_is_what_further_attempts_by_the_rule_would_show() -> None:
    rows = kicks(30, noise_deg=0.3)
    fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK)
    rules = {r.name: r for r in fit.rules}
    # 0.3 degrees of noise, a little measurement error; mean absolute miss of a normal error is its sd times 0.798.
    worth = np.mean([abs(r.miss_per_rad_m) for r in rows])
    assert rules["mirror"].expected_miss_m == pytest.approx(0.798 * radians(0.3) * worth, rel=0.35)


def test_half_way_line_is_the_mirror_for_one_rail() -> None:
    """Elementary geometry: aim parallel to the line from the middle of ball and target to the rail across from it."""
    target = KICK.target_point_m(TABLE)
    _, level = TABLE.track_coordinate("left")
    for start in np.array([[0.4, 0.3], [1.5, 0.8], [0.9, 0.1]]):
        middle = (start + target) / 2
        line = np.array([target[0], level]) - middle
        bearing = unfold(start, target, ("left",), TABLE).bearing_rad
        assert atan2(line[1], line[0]) % (2 * np.pi) == pytest.approx(bearing, abs=1e-12)


def test_half_way_line_is_not_offered_for_more_rails() -> None:
    shot = replace(KICK, rails=("left", "right", "left"))
    fit = fit_shot(kicks(10), shot_name="kick", table=TABLE, shot=shot)
    assert "half-way line" not in {r.name for r in fit.rules}


def test_the_score_is_null_where_it_is_not_defined() -> None:
    fit = fit_shot(kicks(4), shot_name="kick", table=TABLE, shot=KICK)
    said = {r["rule"]: r for r in fit.to_json()["rules"]}
    assert said["point"]["aicc"] is None
    assert said["mirror"]["aicc"] is not None


def test_without_the_worth_of_a_degree_the_expected_miss_is_not_known() -> None:
    rows = rows_of_outcomes(40)
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.rules
    assert all(r["expected_miss_m"] is None for r in fit.to_json()["rules"])
    assert all(r["aicc"] is not None for r in fit.to_json()["rules"])


def test_a_wrong_entry_does_not_decide_between_rules() -> None:
    rows = kicks(20, noise_deg=0.2)
    clean = {r.name: r for r in fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK).rules}
    rows[3] = replace(rows[3], bearing_rad=rows[3].bearing_rad + radians(15))
    spoilt = {r.name: r for r in fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK).rules}
    assert spoilt["mirror"].expected_miss_m == pytest.approx(clean["mirror"].expected_miss_m, rel=0.3)


def test_what_was_pooled_is_said_and_can_be_split() -> None:
    strokes = zip(kicks(6), ["none", "left"] * 3, [1.0, 2.0, 4.0] * 2, strict=True)
    rows = [replace(row, english=english, speed_mps=speed) for row, english, speed in strokes]
    said = {p.by: dict(p.counts) for p in pooled(rows)}
    assert said["english"] == {"none": 3, "left": 3}
    assert said["speed"] == {"soft": 2, "medium": 2, "firm": 2}
    assert "player" not in said
    assert [len(part) for part in split(rows, "english").values()] == [3, 3]
    assert speed_word(nan) is None
    fit = fit_shot(rows, shot_name="kick", table=TABLE)
    assert fit.to_json()["pooled"][0]["by"] == "english"


def test_a_speed_slope_is_found_from_ten_attempts_on() -> None:
    rng = np.random.default_rng(4)
    rows = []
    for r in kicks(24, noise_deg=0.05):
        speed = rng.uniform(1, 4)
        off = radians(0.4) * (speed - 2.5)
        rows.append(replace(r, speed_mps=speed, miss_m=r.miss_m - off * r.miss_per_rad_m))
    slope = fit_shot(rows, shot_name="kick", table=TABLE).speed_slope
    assert slope is not None
    assert degrees(slope.value_rad) == pytest.approx(0.4, abs=0.1)
    assert abs(slope.value_rad - radians(0.4)) < 4 * slope.sd_rad
    assert fit_shot(rows[:9], shot_name="kick", table=TABLE).speed_slope is None
