"""Margins told: for many starts, in words, as a table, a picture, by the command, the page and the endpoints."""

import csv
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from io import StringIO
from math import atan2, degrees, radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.margins.over_table import MarginTable, margin_table, parse_place
from app.margins.shot_margins import margins
from app.store.log import store_reading
from app.telling.margins_drawing import draw_margins
from app.telling.margins_words import margin_figures, margin_words, write_margins
from calibration.errors import InputError
from tests.app.conftest import Client, clip
from tests.app.mirror_table import build, run
from tests.app.scenario import KICK, TABLE, reading
from tests.app.test_command_line import run as command
from vision.shot import Shot

BANK = Shot("cross-corner bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
HIT = Shot("hit a ball", "kick", ("left",), "hit", target_ball=(1.9, 0.07))
SHOT_FILE = """
name = "one rail to the foot-right corner"
kind = "kick"
rails = ["left"]
made = "pocketed"
[target]
ball = [2.464, 0.075]
pocket = "foot-right"
"""


def test_starts_are_counted_from_the_targets_corner() -> None:
    found = margin_table(KICK, TABLE, starts=[(6.0, 1.0), (4.5, 3.0)])
    assert found.corner == "foot-right"
    assert found.start_m == pytest.approx(np.array([[2 * 0.3175, 0.3175], [3.5 * 0.3175, 3 * 0.3175]]))
    over = margin_table(KICK, TABLE)
    assert len(over.start_m) == 7 * 3
    assert len(margin_table(KICK, TABLE, every_sights=0.5).start_m) == 15 * 7


def test_what_is_told_is_what_the_geometry_says() -> None:
    found = margin_table(KICK, TABLE)
    assert [way.made for way in found.ways] == ["pocketed", "hit"]
    said = found.to_json()["starts"]
    for made in ("pocketed", "hit"):
        bare = margins(KICK, TABLE, found.start_m, made=made)  # type: ignore[arg-type]
        direct = margins(KICK, TABLE, found.start_m, made=made, rail_first=False)  # type: ignore[arg-type]
        assert bare is not None
        assert direct is not None
        for k, start in enumerate(said):
            values = start["made"][made]
            if not values["possible"]:
                continue
            assert values["left_deg"] == pytest.approx(degrees(bare.left_rad[k]), abs=1e-4)
            assert values["left_deg"] - values["rail_first_left_deg"] == pytest.approx(
                degrees(direct.left_rad[k]), abs=2e-4
            )
            assert values["half_deg"] == pytest.approx((values["left_deg"] + values["right_deg"]) / 2, abs=1e-4)
            off = values["best_deg"] - values["needed_deg"]
            assert off == pytest.approx((values["left_deg"] - values["right_deg"]) / 2, abs=2e-4)
    assert sum(not start["made"]["hit"]["possible"] for start in said) == 3


def test_the_line_told_by_a_sight_is_the_line() -> None:
    """From the start through the sight told, the bearing needed; and that line makes the shot among mirrors."""
    found, on = margin_table(KICK, TABLE), build(TABLE)
    for start in found.to_json()["starts"]:
        values = start["made"]["pocketed"]
        if not values["possible"]:
            continue
        sight = TABLE.rail_point_m("left", values["best_sight"], "foot-left", at="sight")
        x, y = start["start_m"]
        bearing = atan2(sight[1] - y, sight[0] - x)
        assert degrees(bearing) == pytest.approx(values["best_deg"], abs=0.02)
        met = run(on, (x, y), bearing, (2.464, 0.075))
        assert met.touched == ("left",)
        assert met.centres is not None
        assert run(on, (2.464, 0.075), atan2(met.centres[1], met.centres[0])).pocket == "foot-right"


def test_hit_shots_and_banks() -> None:
    hit = margin_table(HIT, TABLE)
    assert [way.made for way in hit.ways] == ["hit"]
    # Seven centimetres from the right rail, the ball may be met off it.
    assert max(float(np.max(hit.ways[0].rail_first_left_rad)), float(np.max(hit.ways[0].rail_first_right_rad))) > 0.01
    bank = margin_table(BANK, TABLE, starts=[(5.0, 2.0)], cue=(6.5, 1.0))
    assert [way.made for way in bank.ways] == ["pocketed"]
    assert bank.cut is not None
    cue = bank.to_json()["starts"][0]["cue_ball"]
    # Common practice, no source: a bank through the cut forgives far less than the object ball's own line.
    assert cue["half_deg"] < bank.to_json()["starts"][0]["made"]["pocketed"]["half_deg"] / 5
    words = margin_figures(bank)
    assert [figures.heading for figures in words] == ["Margins", "The cue ball"]
    assert words[1].rows[0][1].endswith("° to the left")


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"starts": [(9.0, 1.0)]}, "would not lie on the table"),
        ({"starts": [(0.05, 1.0)]}, "would not lie on the table"),
        ({"every_sights": 0.1}, "use a step from"),
        ({"cue": (6.0, 1.0)}, "goes with a bank"),
        ({"starts": [(4.0, 2.0)] * 1001}, "too many"),
        ({"starts": [(float("nan"), 2.0)]}, "would not lie on the table"),
    ],
)
def test_what_cannot_be_is_refused(asked: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        margin_table(KICK, TABLE, **asked)  # type: ignore[arg-type]


def test_targets_without_a_place_are_refused() -> None:
    with pytest.raises(InputError, match="does not say where"):
        margin_table(replace(HIT, target_ball="any"), TABLE)
    with pytest.raises(InputError, match="may be any"):
        margin_table(replace(HIT, target_ball="any", target_aim=(1.9, 0.07)), TABLE)
    with pytest.raises(InputError, match="sights along and across"):
        parse_place("6")


def test_words() -> None:
    found = margin_table(KICK, TABLE)
    said = margin_words(found)
    assert said[0].startswith("From 18 of 21 starts there is a line that pockets the ball; the room to either side")
    assert said[1].startswith("Hitting the ball alone forgives 3")
    table = margin_figures(found)[0]
    assert table.columns[:5] == ("start", "line", "pocket left", "pocket right", "pocket aim")
    rows = {row[0]: row for row in table.rows}
    assert rows["7, 1"][1] == "no path"
    # From 6, 1: 0.68 degrees over 2.71 m of path are 3.2 cm.
    assert rows["6, 1"][2] == "0.68° 3.2 cm"
    nowhere = margin_table(KICK, TABLE, starts=[(7.0, 1.0)])
    assert margin_words(nowhere) == ["From none of these starts does a line over these rails make the shot."]


def test_picture() -> None:
    found = margin_table(KICK, TABLE)
    root = ET.fromstring(draw_margins(found, standalone=True))
    discs = [e for e in root.iter() if e.get("class") == "margin-own"]
    assert len(discs) == 18
    assert len([e for e in root.iter() if e.get("class") == "margin-other"]) == 18
    sizes = {(float(e.get("cx", 0)), float(e.get("cy", 0))): float(e.get("r", 0)) for e in discs}
    half = found.ways[0].whole.half_rad
    for k, start in enumerate(found.start_m):
        if found.ways[0].possible[k]:
            radius = sizes[(round(1000 * start[0], 1), round(-1000 * start[1], 1))]
            # Areas go with margins.
            assert radius**2 / half[k] == pytest.approx(sizes[(2222.5, -317.5)] ** 2 / half[0], rel=0.01)
    assert (
        "<text"
        not in draw_margins(margin_table(KICK, TABLE, every_sights=0.25))
        .split('class="margins"')[1]
        .split('class="scale"')[0]
    )


def read_csv(found: MarginTable) -> list[dict[str, str]]:
    text = StringIO()
    write_margins(found, text)
    return list(csv.DictReader(StringIO(text.getvalue())))


def test_table_for_a_spreadsheet() -> None:
    rows = read_csv(margin_table(KICK, TABLE))
    assert len(rows) == 42
    assert {row["made"] for row in rows} == {"pocketed", "hit"}
    assert all(float(row["left_m"]) == pytest.approx(
        float(row["distance_m"]) * np.sin(radians(float(row["left_deg"]))), abs=2e-4) for row in rows)  # fmt: skip
    assert rows[0]["cut_deg"] == ""
    bank = read_csv(margin_table(BANK, TABLE, starts=[(5.0, 2.0)], cue=(6.5, 1.0)))
    assert float(bank[0]["cue_left_deg"]) < 0.2


@pytest.fixture
def full(engine: Engine) -> None:
    store_reading(engine, reading(), clip(1))


@pytest.mark.usefixtures("full")
def test_command(tmp_path: Path) -> None:
    files = {name: tmp_path / f"margins.{name}" for name in ("csv", "json", "svg")}
    options = [part for name, path in files.items() for part in (f"--{name}", path)]
    result = command("margins", "--shot", KICK.name, *options)
    assert result.exit_code == 0, result.output
    assert "From 18 of 21 starts" in result.stdout
    assert json.loads(files["json"].read_text()) == margin_table(KICK, TABLE).to_json()
    assert len(list(csv.DictReader(files["csv"].read_text().splitlines()))) == 42
    ET.fromstring(files["svg"].read_text())
    shot_file = tmp_path / "kick.toml"
    shot_file.write_text(SHOT_FILE)
    same = command("margins", "--from", shot_file, "--start", "6,1", "--json", files["json"])
    assert "From this start there is a line that pockets the ball." in same.stdout
    assert len(json.loads(files["json"].read_text())["starts"]) == 1


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "name one shot"),
        (("--shot", "x", "--from", "y.toml"), "name one shot"),
        (("--shot", "none such"), "no shot named"),
        (("--shot", KICK.name, "--start", "six"), "--start 'six'"),
        (("--shot", KICK.name, "--cue", "6,1"), "goes with a bank"),
    ],
)
def test_wrong_commands(options: tuple[str, ...], says: str) -> None:
    result = command("margins", *options)
    assert result.exit_code == 1
    assert says in " ".join(result.output.split())


@pytest.mark.usefixtures("full")
def test_endpoints_and_page(client: Client) -> None:
    asked = {"every": "2", "start": ["6,1", "5,2"]}
    assert client.get("/api/shots/1/margins", params=asked).json() == margin_table(
        KICK, TABLE, starts=[(6.0, 1.0), (5.0, 2.0)]
    ).to_json()  # fmt: skip
    assert client.get("/api/shots/1/margins.csv").text.count("\n") == 43
    assert client.get("/api/shots/1/margins.csv").headers["content-type"].startswith("text/csv")
    ET.fromstring(client.get("/api/shots/1/margins.svg").text)
    assert client.get("/api/shots/9/margins").status_code == 404
    assert client.get("/api/shots/1/margins", params={"start": "9,9"}).status_code == 422
    assert client.get("/api/shots/1/margins", params={"every": "0"}).status_code == 422
    assert 'href="/shots/1/margins"' in client.get("/shots/1").text
    page = client.get("/shots/1/margins").text
    assert "From 18 of 21 starts" in page
    assert 'class="margin-own"' in page
    assert "goes with a bank" in client.get("/shots/1/margins", params={"cue": "6,1"}).text
    assert client.get("/shots/1/margins", params={"every": "x<y", "cue": "<b>"}).status_code == 200
