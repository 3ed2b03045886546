"""Numbers in other units, rows entered twice, and what else a reader should know of a file."""

from dataclasses import replace
from math import degrees, nan, radians

import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import fit_shot
from app.fitting.remarks import check_units, remarks
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import KICK, kicks
from tests.app.test_outcomes import rows_of_outcomes

TABLE = STANDARD_TABLES["9ft"]
SHOTS = {"kick": KICK}


def scaled(rows: list[AttemptRow], factor: float) -> list[AttemptRow]:
    return [replace(r, start_x_m=r.start_x_m * factor, start_y_m=r.start_y_m * factor) for r in rows]


@pytest.mark.parametrize(
    ("unit", "metres"), [("inches", 0.0254), ("centimetres", 0.01), ("millimetres", 0.001), ("--table", 0.004)]
)
def test_starts_in_other_units_are_refused(unit: str, metres: float) -> None:
    check_units(kicks(), TABLE, SHOTS, "a.csv")
    with pytest.raises(InputError, match=r"a\.csv, row 2: the start .* lies off the table") as caught:
        check_units(scaled(kicks(), 1 / metres), TABLE, {}, "a.csv")
    assert unit in str(caught.value)


def test_bearings_in_radians_are_refused_when_the_shot_is_known() -> None:
    rows = [replace(r, bearing_rad=radians(r.bearing_rad)) for r in kicks()]
    with pytest.raises(InputError, match="look like radians"):
        check_units(rows, TABLE, SHOTS, "a.csv")
    (said,) = remarks(rows, TABLE, None)
    assert "radians" in said
    assert remarks(kicks(), TABLE, KICK) == ()


def test_one_start_off_the_table_costs_that_row_only() -> None:
    rows = [replace(kicks()[0], start_x_m=25.0), *kicks()[1:]]
    check_units(rows, TABLE, SHOTS, "a.csv")
    ((row, why),) = gather(rows, TABLE, KICK).unused
    assert row.row == rows[0].row
    assert "off the table" in why


def test_rows_entered_twice_are_counted_and_said() -> None:
    rows = kicks(6)
    rows += [replace(rows[1], row=40), replace(rows[2], row=41)]
    fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK)
    assert fit.used == 8
    assert fit.remarks == ("Entered twice, and counted twice: rows 40 (as 3), 41 (as 4).",)


def test_a_degrees_worth_of_the_wrong_sign_or_unit_is_said() -> None:
    rows = kicks(6)
    rows[0] = replace(rows[0], miss_per_rad_m=-rows[0].miss_per_rad_m)
    rows[3] = replace(rows[3], miss_per_rad_m=degrees(rows[3].miss_per_rad_m))
    (said,) = remarks(rows, TABLE, KICK)
    assert "rows 2, 5" in said
    assert "negative" in said


def test_a_log_of_outcomes_without_margins_takes_the_shots_own() -> None:
    bare = [replace(r, margin_left_rad=nan, margin_right_rad=nan) for r in rows_of_outcomes(60)]
    fit = fit_shot(bare, shot_name="kick", table=TABLE, shot=KICK)
    # The lines from two of the starts would run into the side pocket: no margin is known there.
    idle = [w for w in fit.weights if w.weight == 0]
    assert all("no margin is known there" in w.why for w in idle)
    assert fit.used == 60 - len(idle)
    assert len(idle) == 2
    assert "geometry" in fit.remarks[0]
    # Without the shot, or beside measured misses, a made attempt without a margin says nothing.
    alone = fit_shot(bare, shot_name="kick", table=TABLE)
    assert {w.why for w in alone.weights if w.weight == 0} == {"made, without a miss or a margin"}
    beside = gather([*kicks(), *bare], TABLE, KICK)
    assert not beside.margins_from_shot
    assert any("without a miss or a margin" in why for _, why in beside.unused)


def test_a_side_alone_is_an_outcome() -> None:
    row = replace(rows_of_outcomes(1)[0], outcome=None, miss_side="left", margin_left_rad=0.01)
    evidence = gather([row], TABLE)
    assert evidence.observations.high_rad.tolist() == [-0.01]


def test_a_clips_turn_said_once_holds_for_all_of_it() -> None:
    rows = [
        replace(r, clip="one", common_bearing_sd_rad=radians(0.3) if k == 2 else nan) for k, r in enumerate(kicks())
    ]
    columns = gather(rows, TABLE).observations.nuisance_rad
    assert columns[:, -1].tolist() == pytest.approx([radians(0.3)] * 12)


def test_lines_alone_are_taken_for_those_that_succeed() -> None:
    """A file of the four required columns."""
    rows = [AttemptRow(r.row, r.shot, r.start_x_m, r.start_y_m, r.bearing_rad) for r in kicks(12, aim_deg=0.1)]
    fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK)
    assert fit.used == 12
    assert fit.convergence.point_m is not None
    assert "taken for those that succeed" in fit.remarks[0]
    # Beside an attempt that says how it went, a line alone says nothing.
    beside = gather([*rows, *kicks(1)], TABLE, KICK)
    assert len(beside.rows) == 1
    assert {why for _, why in beside.unused} == {"neither a miss nor an outcome was logged"}
    unclear = [replace(r, outcome="unclear") for r in rows]
    assert len(gather(unclear, TABLE, KICK).rows) == 0
