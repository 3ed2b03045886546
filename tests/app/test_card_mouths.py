"""Lines of a card that run into a pocket's mouth."""

from dataclasses import replace
from math import cos, degrees, radians, sin

import numpy as np
import pytest

from app.card.aim_card import AimCard, aim_card
from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import fit_shot
from app.margins.shot_margins import margins
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from calibration.unfold import unfold
from tests.app.test_aim_card import aimed, made
from tests.app.test_fit import KICK, TABLE
from vision.shot import Shot


def test_a_line_into_a_side_pocket_is_said() -> None:
    """Straight across the middle: the ball runs into the left side pocket."""
    shot = replace(KICK, target_pocket="side-right")
    starts = [(0.9, 0.3), (1.0, 0.4), (1.1, 0.3), (1.27, 0.4), (1.4, 0.3), (1.5, 0.4), (1.7, 0.35)]
    point = np.array([1.27, 2.4])
    bearings = [degrees(float(np.arctan2(point[1] - y, point[0] - x))) for x, y in starts]
    noisy = [b + e for b, e in zip(bearings, [0.05, -0.04, 0.03, -0.05, 0.04, -0.02, 0.01], strict=True)]
    card = made(aimed(noisy, starts), shot)
    into = [row.near_sight for row in card.rows if not row.on_cushion]
    assert 4.0 in into
    assert all(abs(row.at_nose.count - 4) < 0.3 for row in card.rows if not row.on_cushion)
    assert all(row.on_cushion for row in card.rows if abs(row.at_nose.count - 4) > 0.5)


def test_a_table_without_pockets_has_none_to_run_into() -> None:
    """Straight across the middle, where a pool table has its side pockets, and along a long rail's whole length."""
    table = STANDARD_TABLES["carom"]
    shot = Shot("across", "kick", ("left",), "hit", target_ball=(1.42, 0.3))
    starts = np.array([(1.1, 0.3), (1.2, 0.5), (1.3, 0.35), (1.42, 0.6), (1.5, 0.4), (1.6, 0.5), (1.7, 0.35)])
    rows = []
    for k, start in enumerate(starts):
        path = unfold(start, shot.target_point_m(table), shot.rails, table)
        off = radians(0.05) * (-1) ** k
        row = AttemptRow(k + 2, "across", float(start[0]), float(start[1]), path.bearing_rad + off)
        rows.append(replace(row, miss_m=off * path.miss_per_rad_m, miss_sd_m=0.002, miss_per_rad_m=path.miss_per_rad_m))
    fit = fit_shot(rows, shot_name="across", table=table, shot=shot)
    card = aim_card(fit, rows, shot, table)
    assert isinstance(card, AimCard)
    assert any(abs(row.at_nose.count - 4) < 0.1 for row in card.rows)
    assert all(row.on_cushion for row in card.rows)
    assert "pocket" not in {rule.name for rule in fit.rules}
    found = margins(shot, table, np.array([[1.42, 0.6], [0.05, 0.3], [2.79, 0.3]]))
    assert found is not None
    assert found.possible[0]
    assert sin(found.half_rad[0]) == pytest.approx(2 * table.ball_radius_m / found.distance_m[0], rel=1e-3)
    with pytest.raises(InputError, match="foot-right pocket, and a carom table has none"):
        margins(KICK, table, starts)
    assert margins(replace(shot, target_pocket="foot-right"), table, starts, made="pocketed") is None
    assert [len(table.sights_m(rail)) for rail in ("head", "left")] == [3, 7]


def test_a_later_rail_met_in_a_pockets_mouth_is_said() -> None:
    """Left rail and foot rail to a ball: flat lines come off the left rail into the foot-left pocket's mouth."""
    shot = Shot("kick", "kick", ("left", "foot"), "hit", target_ball=(1.70, 1.00))
    rows = []
    for k, start in enumerate(np.random.default_rng(3).uniform([0.4, 0.7], [1.0, 1.1], (16, 2))):
        path = unfold(start, shot.target_point_m(TABLE), shot.rails, TABLE)
        off, worth = radians(0.05) * (-1) ** k, path.miss_per_rad_m
        row = AttemptRow(k + 2, "kick", float(start[0]), float(start[1]), path.bearing_rad + off)
        rows.append(replace(row, miss_m=off * worth, miss_sd_m=0.002, miss_per_rad_m=worth))
    card = made(rows, shot)
    # Plain algebra: where lines come to the left rail's track line, and folded there to the foot rail's.
    far, top = TABLE.length_m - TABLE.track_offset_m, TABLE.width_m - TABLE.track_offset_m
    mouth = TABLE.corner_mouth_m / 2**0.5
    judged = []
    for row in card.rows:
        slope = sin(row.bearing_rad) / cos(row.bearing_rad)
        first = row.ball_m[0] + (top - row.ball_m[1]) / slope
        second = top - slope * (far - first)
        if abs(second - (TABLE.width_m - mouth)) > 0.005 and abs(first - (TABLE.length_m - mouth)) > 0.005:
            judged.append(row.on_cushion)
            assert row.on_cushion == (second < TABLE.width_m - mouth), row.near_sight
    assert {True, False} == set(judged)
