"""Attempts in and out of a CSV file."""

import io
from math import degrees, isnan, radians
from pathlib import Path

import pytest

from app.fitting.attempts_csv import COLUMNS, load_attempts, write_attempts
from calibration.errors import InputError

HEADER = "shot,start_x_m,start_y_m,bearing_deg"


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "attempts.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_blank_and_missing_columns_are_not_known(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEADER},miss_m,outcome\nkick,0.98,0.24,55.7,,made\n")
    (row,) = load_attempts(path).rows
    assert row.row == 2
    assert row.shot == "kick"
    assert row.bearing_rad == pytest.approx(radians(55.7))
    assert row.outcome == "made"
    assert row.clip is None
    assert isnan(row.miss_m)
    assert isnan(row.bearing_sd_rad)


def test_units_and_every_column(tmp_path: Path) -> None:
    values = {
        "shot": "kick", "start_x_m": "0.98", "start_y_m": "0.24", "bearing_deg": "359.5", "bearing_sd_deg": "0.04",
        "clip": "c1", "common_bearing_sd_deg": "0.03", "miss_m": "-0.0126", "miss_sd_m": "0.003",
        "miss_per_deg_m": "-0.0467", "outcome": "missed", "miss_side": "left", "margin_left_deg": "0.5",
        "margin_right_deg": "0.7", "speed_mps": "2.31", "english": "none", "at": "2026-01-02T03:04:05", "player": "A",
        "note": 'said "long", twice',
    }  # fmt: skip
    assert tuple(values) == COLUMNS
    quoted = ['"' + v.replace('"', '""') + '"' for v in values.values()]
    path = written(tmp_path, "\ufeff" + ",".join([*COLUMNS, "colour"]) + "\r\n" + ",".join([*quoted, "green"]) + "\r\n")
    (row,) = load_attempts(path).rows
    assert row.miss_per_rad_m == pytest.approx(-0.0467 * degrees(1))
    assert row.margin_right_rad == pytest.approx(radians(0.7))
    assert row.note == 'said "long", twice'
    stream = io.StringIO()
    write_attempts([row], stream)
    again = load_attempts(written(tmp_path, stream.getvalue())).rows
    assert again[0].bearing_rad == pytest.approx(row.bearing_rad, abs=1e-6)
    assert again[0].miss_m == pytest.approx(row.miss_m)
    for name in ("shot", "clip", "outcome", "miss_side", "english", "at", "player", "note"):
        assert getattr(again[0], name) == getattr(row, name)


def test_rows_are_counted_as_lines_of_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEADER}\na,1,0.5,10\n\nb,1,0.5,20\n")
    assert [row.row for row in load_attempts(path).rows] == [2, 4]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("shot,start_x_m,bearing_deg\na,1,2\n", "'start_y_m' is missing"),
        ("", "is empty"),
        (f"{HEADER}\na,1,0.5,10\na,1,0.5,north\n", "row 3: bearing_deg is 'north'"),
        (f"{HEADER}\na,1,0.5,inf\n", "row 2: bearing_deg is 'inf'"),
        (f"{HEADER}\na,,0.5,10\n", "row 2: start_x_m is blank"),
        (f"{HEADER}\n,1,0.5,10\n", "row 2: shot is blank"),
        (f"{HEADER},miss_sd_m\na,1,0.5,10,-1\n", "row 2: miss_sd_m is -1"),
        (f"{HEADER},outcome\na,1,0.5,10,won\n", "row 2: outcome is 'won'"),
        (f"{HEADER},miss_side\na,1,0.5,10,up\n", "row 2: miss_side is 'up'"),
        (f"{HEADER},shot\na,1,0.5,10,b\n", "'shot' stands there twice"),
        (f'{HEADER}\n"a,1,0.5,10\n', "not a line of CSV"),
        (HEADER.encode() + b"\n\xff\xfe,1,0.5,10\n", "not UTF-8"),
        (f"{HEADER}\na,1,0.5,570\n", "between 0 and 360"),
        (f"{HEADER}\na,1e9,0.5,57\n", "nothing on a table is that large"),
        (f"{HEADER}\na,0,98,0,24,55,7\n", "row 2: 7 entries under 4 columns"),
        (f"{HEADER},at\na,1,0.5,10,yesterday\n", "row 2: at is 'yesterday'"),
        (f"{HEADER},miss_m\na,1,0.5,10,1e400\n", "row 2: miss_m is '1e400'"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(tmp_path: Path, text: str | bytes, said: str) -> None:
    with pytest.raises(InputError) as caught:
        load_attempts(written(tmp_path, text))
    assert said in str(caught.value)
    assert "attempts.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_attempts(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read"):
        load_attempts(tmp_path)


def test_semicolons_and_decimal_commas_of_spreadsheets(tmp_path: Path) -> None:
    text = "\ufeff" + HEADER.replace(",", ";").upper() + ";miss_m;note;\r\nkick;0,98;0,24;55,7;-0,012;a, b;\r\n"
    (row,) = load_attempts(written(tmp_path, text)).rows
    assert (row.start_x_m, row.start_y_m, row.miss_m, row.note) == (0.98, 0.24, -0.012, "a, b")
    assert degrees(row.bearing_rad) == pytest.approx(55.7)
    (tabbed,) = load_attempts(written(tmp_path, text.replace(";", "\t"))).rows
    assert str(tabbed) == str(row)


def test_what_other_programs_write_for_nothing_is_nothing(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEADER},miss_m,outcome,miss_side,english\na,1,0.5,10,NaN,unclear,null,none\n")
    (row,) = load_attempts(path).rows
    assert isnan(row.miss_m)
    assert (row.outcome, row.miss_side, row.english) == ("unclear", None, "none")


def test_columns_that_mean_nothing_here_are_named(tmp_path: Path) -> None:
    read = load_attempts(written(tmp_path, f"{HEADER},colour,miss\na,1,0.5,10,green,1\n"))
    assert "'colour', 'miss'" in read.remarks[0]
    assert load_attempts(written(tmp_path, f"{HEADER}\na,1,0.5,10\n")).remarks == ()
    assert "no attempt" in load_attempts(written(tmp_path, f"{HEADER}\n")).remarks[0]
