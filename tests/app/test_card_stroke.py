"""Whose stroke a card tells its chances for: a player's by the log, magnified through a bank's cut, or a stated one."""

import json
from dataclasses import replace
from math import degrees, radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.card.from_log import card_of_log
from app.card.player_stroke import stated_stroke, stroke_of_player
from app.store.log_views import find_shot
from calibration.errors import InputError
from tests.app.conftest import Client
from tests.app.scenario import TABLE
from tests.app.strokes import BALLS_M, BANK, CUE_M, KICK, library, object_line, practice
from tests.app.test_command_line import refused, run
from tests.app.test_stroke_shown import fill


def nothing() -> tuple[list[object], list[object]]:
    return [], []


def alone() -> None:
    raise AssertionError("the other shots were read without need")


def test_one_players_stroke() -> None:
    rows = practice(KICK, np.random.default_rng(2), radians(0.5), each=8)
    found = stroke_of_player(library(KICK)[0], rows, alone)  # type: ignore[arg-type]
    assert found is not None
    assert found.player == "A"
    assert found.low_rad < radians(0.5) < found.high_rad
    assert found.nodes_rad.min() > 0
    # Of two players there is no one stroke.
    assert stroke_of_player(library(KICK)[0], [*rows, replace(rows[0], player="B")], alone) is None  # type: ignore[arg-type]
    assert stroke_of_player(library(KICK)[0], [], alone) is None  # type: ignore[arg-type]


def test_sessions_that_each_have_one_speed_tell_no_speeds_part() -> None:
    rng = np.random.default_rng(2)
    rows = []
    for session, speed in ((1, 1.2), (2, 2.2)):
        for row in practice(KICK, rng, radians(0.5), each=3, session=session):
            rows.append(replace(row, attempt=replace(row.attempt, speed_mps=speed)))
    assert stroke_of_player(library(KICK)[0], rows, alone) is not None  # type: ignore[arg-type]


def test_few_attempts_borrow_the_players_other_shots() -> None:
    rng = np.random.default_rng(3)
    few = practice(KICK, rng, radians(0.5), each=2, places_m=((0.98, 0.25),))
    assert stroke_of_player(library(KICK)[0], few, nothing) is None  # type: ignore[arg-type]
    other = replace(KICK, name="another")
    more = practice(other, rng, radians(0.5), each=8, session=2)
    strangers = [replace(row, player="B") for row in practice(other, rng, radians(3), each=8, session=3)]
    found = stroke_of_player(library(KICK)[0], few, lambda: ([*few, *more, *strangers], library(KICK, other)))
    assert found is not None
    assert degrees(found.spread_rad) == pytest.approx(0.5, rel=0.3)


def test_a_banks_spread_is_the_object_balls() -> None:
    """Magnified as a line of centres turns, by finite differences, when the cue ball's line does."""
    rows = practice(BANK, np.random.default_rng(4), radians(0.1), each=8)
    found = stroke_of_player(library(BANK)[0], rows, alone)  # type: ignore[arg-type]
    assert found is not None
    turns = []
    for ball in BALLS_M:
        mine = [row.attempt for row in rows if np.hypot(*(row.attempt.start_m - ball)) < 0.02]
        line = float(np.mean([a.cue_bearing_rad for a in mine]))
        ends = [object_line(np.array(CUE_M), np.array(ball), line + d) for d in (1e-4, -1e-4)]
        turns.append(abs(ends[0] - ends[1]) / 2e-4)
    assert degrees(found.spread_rad) == pytest.approx(0.1 * float(np.median(turns)), rel=0.25)
    assert min(turns) > 3
    assert np.median(found.nodes_rad) == pytest.approx(found.spread_rad, rel=0.1)
    assert found.low_rad < found.spread_rad < found.high_rad


def test_stated_strokes() -> None:
    assert stated_stroke(radians(0.5)).to_json() == {"player": None, "spread_deg": 0.5, "range_deg": [None, None]}
    for wrong in (0.0, -1.0, 11.0, float("nan")):
        with pytest.raises(InputError, match=r"give one of 0.01 to 10°"):
            stated_stroke(radians(wrong))


def test_the_logs_card(engine: Engine, client: Client, tmp_path: Path) -> None:
    fill(engine)
    # Two players: no one stroke, until one of them is asked for, or a spread is stated.
    both = card_of_log(engine, find_shot(engine, KICK.name))
    assert both.card.to_json()["stroke"] is None
    out = tmp_path / "card.json"
    spreads = {}
    for player, spread in (("A", 0.35), ("B", 0.7)):
        result = run("card", "--shot", KICK.name, "--split", f"player={player}", "--json", out)
        assert f"by {player}, whose lines spread by" in " ".join(result.stdout.split())
        card = json.loads(out.read_text())
        low, high = card["stroke"]["range_deg"]
        assert low < spread < high
        spreads[player] = [row["make_chance"] for row in card["rows"] if row["make_chance"] is not None]
    # Who strokes straighter makes more, from the same place.
    assert np.mean(spreads["A"]) > np.mean(spreads["B"]) + 0.1
    result = run("card", "--shot", KICK.name, "--spread-deg", 0.5)
    assert "by a stroke, whose lines spread by 0.50°." in " ".join(result.stdout.split())
    refused(run("card", "--shot", KICK.name, "--spread-deg", 0), "a stroke spread of 0° cannot be")
    shot_id = find_shot(engine, KICK.name).id
    told = client.get(f"/api/shots/{shot_id}/card", params={"spread_deg": 0.5}).json()
    assert told["stroke"] == {"player": None, "spread_deg": 0.5, "range_deg": [None, None]}
    assert client.get(f"/api/shots/{shot_id}/card", params={"spread_deg": 11}).status_code == 422
    assert client.get(f"/api/shots/{shot_id}/card", params={"spread_deg": ""}).json()["stroke"] is None
    page = client.get(f"/shots/{shot_id}/card", params={"spread_deg": 0.5}).text
    assert ">made<" in page
    assert 'value="0.5"' in page
    assert ">made<" not in client.get(f"/shots/{shot_id}/card").text
    assert TABLE.name in page
