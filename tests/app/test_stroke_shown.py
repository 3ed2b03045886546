"""Strokes of the log as the command line, the pages and the interface tell them."""

import csv
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime
from io import StringIO
from math import degrees, radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.store.log import ClipFile, store_reading
from app.stroke.from_log import StrokeQuestion, strokes_of_log
from app.telling.stroke_tables import CSV_COLUMNS, stroke_figures, write_stroke
from app.telling.stroke_words import stroke_words
from tests.app.conftest import Client
from tests.app.scenario import TABLE, reading
from tests.app.strokes import BANK, KICK, practice
from tests.app.test_command_line import run


def fill(engine: Engine) -> None:
    rng = np.random.default_rng(5)
    for k, (player, shot, spread, move) in enumerate(
        (("A", KICK, 0.35, 0.0), ("B", KICK, 0.7, 0.0), ("A", BANK, 0.1, 3.0)), 1
    ):
        rows = practice(shot, rng, radians(spread), each=6, session=k, player=player, rest_rad=radians(move))
        tries = [replace(r.attempt, t_s=3 + 30.0 * i) for i, r in enumerate(rows)]
        at = datetime(2026, 3, k, 18, 30, tzinfo=UTC)
        store_reading(engine, reading(tries, shot=shot), ClipFile(f"{k}.mp4", f"{k:064x}", at), player=player)


def test_command(engine: Engine, tmp_path: Path) -> None:
    fill(engine)
    outputs = [str(tmp_path / name) for name in ("o.csv", "o.json", "o.svg")]
    said = run("stroke", "--csv", outputs[0], "--json", outputs[1], "--svg", outputs[2]).output
    assert "kick to the corner, B:" in said
    assert "A degree of the cue ball's line turns the object ball's by" in " ".join(said.split())
    with open(outputs[0], encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [r["group"] for r in rows].count("shot") == 3
    data = json.loads(Path(outputs[1]).read_text())
    assert [(s["shot"], s["player"]) for s in data["strokes"]] == [(BANK.name, "A"), (KICK.name, "A"), (KICK.name, "B")]
    assert [r["spread_deg"] for r in rows if r["group"] == "shot"] == [
        f"{s['spread']['spread_deg']:.4f}" for s in data["strokes"]
    ]
    assert data["strokes"][0]["expected"]["differs"] == "fewer"
    ET.parse(outputs[2])
    said = run("stroke", "--shot", KICK.name, "--player", "A", "--aimed", "point").output
    assert "round the line to the point" in " ".join(said.split())
    said = run("stroke", "--shot", KICK.name, "--aimed", "post", "--mark", "post=2.9,3.1").output
    assert "the line to post" in " ".join(said.split())


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--aimed", "post"), "name the shot as well"),
        (("--shot", KICK.name, "--aimed", "lamp"), "the marks known are none"),
        (("--shot", "nothing"), "no shot named"),
        (("--player", "Z"), "no tries of a player 'Z'"),
        (("--since", "March"), "--since is 'March'"),
        (("--since", "2026-03-02", "--until", "2026-03-01"), "swap the two days"),
        (("--since", "2027-01-01"), "no tries for that"),
    ],
)
def test_command_refuses(engine: Engine, words: tuple[str, ...], sentence: str) -> None:
    fill(engine)
    result = run("stroke", *words)
    assert result.exit_code == 1
    assert sentence in " ".join(result.output.split())


def test_pages_and_endpoints(engine: Engine, client: Client) -> None:
    fill(engine)
    data = client.get("/api/stroke", params={"shot": KICK.name, "player": "B"}).json()
    assert len(data["strokes"]) == 1
    assert len(data["strokes"][0]["places"]) == 5
    table = client.get("/api/stroke.csv", params={"player": "B"})
    assert table.headers["content-type"].startswith("text/csv")
    assert next(csv.DictReader(StringIO(table.text)))["player"] == "B"
    ET.fromstring(client.get("/api/stroke.svg").text)
    page = client.get("/stroke", params={"shot": KICK.name, "aimed": "sight left 3.5"})
    assert page.status_code == 200
    assert "sight left 3.5" in page.text
    assert client.get("/stroke", params={"shot": "", "aimed": "", "since": ""}).status_code == 200
    wrong = client.get("/api/stroke", params={"aimed": "lamp", "shot": KICK.name})
    assert wrong.status_code == 422 or wrong.status_code == 400
    assert "lamp" in wrong.json()["error"]["message"]
    rates = client.get("/api/rates", params={"shot": BANK.name}).json()
    assert rates["overall"]["expected"]["tries"] == 18
    assert rates["overall"]["expected"]["differs"] == "fewer"
    told = client.get("/rates", params={"shot": BANK.name}).text
    assert "All tries: fewer than the strokes explain" in told
    assert '<th scope="col">expected</th>' in told


def test_question_of_the_log(engine: Engine) -> None:
    fill(engine)
    answer = strokes_of_log(engine, StrokeQuestion(shot=KICK.name, player="A"))
    assert [s.player for s in answer.strokes] == ["A"]
    assert answer.players == ("A", "B")
    text = StringIO()
    write_stroke(answer, text)
    figures = stroke_figures(answer)
    # Of one shot with lines enough the player's others are not looked at.
    assert [f.heading for f in figures] == ["Strokes", "By place"]
    everything = stroke_figures(strokes_of_log(engine, StrokeQuestion()))
    assert [f.heading for f in everything][::4] == ["Strokes", "Players"]
    # Asked for alone or with all others, a shot's stroke is the same.
    all_of_them = strokes_of_log(engine, StrokeQuestion()).strokes
    same = next(s for s in all_of_them if (s.shot.name, s.player) == (KICK.name, "A"))
    assert same.expected == answer.strokes[0].expected
    # Off the table's length two strokes of three: the spread in centimetres.
    wide = answer.strokes[0].stroke.spread.spread_rad * TABLE.length_m
    assert f"within {100 * wide:.1f} cm" in stroke_words(answer.strokes[0])[0]
    assert degrees(answer.strokes[0].stroke.spread.spread_rad) == pytest.approx(0.35, rel=0.4)
