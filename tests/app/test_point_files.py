"""The point as files: the fit as a table, its picture, its attempts; by command and by interface alike."""

import csv
import json
from io import StringIO
from pathlib import Path

import pytest
from sqlalchemy import Engine

from app.store.log import store_reading
from app.telling.fit_csv import FIT_CSV
from app.telling.next_words import NEXT_CSV
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, reading
from tests.app.test_command_line import refused, run

Rows = list[dict[str, str]]


@pytest.fixture(autouse=True)
def filmed(engine: Engine) -> None:
    store_reading(engine, reading(), clip())
    store_reading(engine, reading(), clip(2))


def rows_of(text: str) -> Rows:
    rows = list(csv.DictReader(StringIO(text)))
    assert rows
    assert list(rows[0]) == list(FIT_CSV)
    return rows


def named(rows: Rows, table: str, name: str) -> dict[str, str]:
    (row,) = [r for r in rows if (r["table"], r["name"]) == (table, name)]
    return row


def test_the_table_says_what_the_json_says(client: Client, tmp_path: Path) -> None:
    to = tmp_path / "fit.csv"
    said = run("fit", "--csv", str(to), "--json", str(tmp_path / "fit.json"), "--until", "1mm").stdout
    assert "Shoot next" in said
    (fit,) = json.loads((tmp_path / "fit.json").read_text(encoding="utf-8"))
    rows = rows_of(to.read_text(encoding="utf-8"))
    assert {r["shot"] for r in rows} == {KICK.name}
    point = named(rows, "fit", "point_m")
    assert [float(point["x_m"]), float(point["y_m"])] == fit["point_m"]
    direction = named(rows, "fit", "direction_deg")
    assert [float(direction["value"]), float(direction["sd"])] == [fit["direction_deg"], fit["direction_sd_deg"]]
    assert named(rows, "fit", "one_point")["value"] == fit["one_point"]
    assert [r["name"] for r in rows if r["table"] == "rules"] == [rule["rule"] for rule in fit["rules"]]
    mirror = next(rule for rule in fit["rules"] if rule["rule"] == "mirror")
    assert float(named(rows, "rules", "mirror")["value"]) == mirror["expected_miss_m"]
    assert [(r["name"], float(r["x_m"])) for r in rows if r["table"] == "next"] == [
        (one["for"], one["start_m"][0]) for one in fit["next"]
    ]
    assert {r["table"] for r in rows} == {"fit", "rules", "envelope", "sessions", "next", "until"}
    assert named(rows, "until", "until_m")["value"] == "0.001"
    plain = rows_of(client.get("/api/shots/1/fit.csv").text)
    assert [r for r in rows if r["table"] != "until"] == plain


def test_what_to_shoot_next_stands_in_the_fit(client: Client, tmp_path: Path) -> None:
    to = tmp_path / "fit.json"
    run("fit", "--json", str(to), "--until", "2mm")
    (fit,) = json.loads(to.read_text(encoding="utf-8"))
    plan = client.get("/api/shots/1/next", params={"until_cm": 0.2}).json()
    assert len(fit["next"]) == 3
    assert fit["next"] == plan["next"]
    assert fit["until"] == {name: plan[name] for name in ("until_m", "attempts", "attempts_as_before", "reason")}
    assert fit["until"]["until_m"] == 0.002
    without = client.get("/api/shots/1/fit").json()
    assert (without["next"], without["until"]) == (fit["next"], None)


def test_the_next_attempts_are_a_table(client: Client) -> None:
    rows = list(csv.DictReader(StringIO(client.get("/api/shots/1/next.csv", params={"count": 4}).text)))
    told = client.get("/api/shots/1/next", params={"count": 4}).json()
    assert tuple(rows[0]) == NEXT_CSV
    assert [(r["for"], [float(r["start_x_m"]), float(r["start_y_m"])]) for r in rows] == [
        (one["for"], one["start_m"]) for one in told["next"]
    ]
    first = rows[0]
    assert f"{float(first['along_sights']):g} sights along" in told["words"][0]
    assert f"{float(first['across_sights']):g} across from the {first['corner']} corner" in told["words"][0]


def test_the_picture_is_the_same_by_command_and_interface(client: Client, tmp_path: Path) -> None:
    to = tmp_path / "point.svg"
    run("fit", "--shot", KICK.name, "--svg", str(to))
    drawn = client.get("/api/shots/1/drawing.svg")
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert to.read_text(encoding="utf-8") == drawn.text
    assert drawn.text.count('class="attempt ') == 10
    refused(run("fit", "--svg", str(to)), "--svg draws one shot of the log: give --shot")
    refused(run("fit", "--shot", KICK.name, "--json", str(to), "--svg", str(to)), "would overwrite")


def test_the_attempts_of_a_shot_are_the_file_that_export_writes(client: Client, tmp_path: Path) -> None:
    to = tmp_path / "attempts.csv"
    run("export", "--shot", KICK.name, "--to", str(to))
    assert client.get("/api/shots/1/attempts.csv").text == to.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["fit.csv", "next.csv", "drawing.svg", "attempts.csv", "entries.csv"])
def test_a_shot_that_is_not_there(client: Client, name: str) -> None:
    answer = client.get(f"/api/shots/9/{name}")
    assert answer.status_code == 404
    assert answer.json()["error"]["message"] == "There is no shot 9."


def test_rates_marks_and_entries_are_tables_too(client: Client, tmp_path: Path) -> None:
    for command, name in ((("rates",), "rates"), (("enter", "--list", "--shot", KICK.name), "shots/1/entries")):
        to = tmp_path / "table.csv"
        run(*command, "--csv", str(to))
        assert client.get(f"/api/{name}.csv").text == to.read_text(encoding="utf-8")
    to = tmp_path / "rates.svg"
    run("rates", "--svg", str(to))
    assert client.get("/api/rates.svg").text == to.read_text(encoding="utf-8")
    marks = client.get("/api/marks.csv")
    assert marks.text == client.get("/api/shots/1/marks.csv").text
    assert len(marks.text.splitlines()) > 5
