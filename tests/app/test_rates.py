"""Tries told apart, cells, and the command, the page and the endpoint that show them."""

import csv
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import nan, radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.rates.from_log import Question, rates_of_log
from app.rates.intervals import wilson
from app.rates.make_rates import make_rates
from app.rates.tries import Try, counted_from, cut_class, gather_tries, select_tries
from app.store.log import store_reading
from app.store.logged import LoggedAttempt
from app.telling.rates_drawing import draw_rates
from calibration.errors import InputError
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, TABLE, attempt, reading
from tests.app.test_command_line import run
from vision.shot import Shot

BANK = Shot("cross-corner bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
OTHER = replace(BANK, name="another", rails=("right",), target_pocket="foot-left")
DAY = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)


def one(along: float, outcome: str, **rest: object) -> Try:
    plain = Try(KICK.name, "A", DAY, along, 1.5, outcome, "long" if outcome == "missed" else "not known", False, None)
    return replace(plain, **rest)  # type: ignore[arg-type]


def logged(k: int, place: tuple[float, float], *, shot: Shot = KICK, session: int = 1, **rest: object) -> LoggedAttempt:
    tried = replace(attempt(place, 0.0, shot=KICK), **rest)  # type: ignore[arg-type]
    at = DAY + timedelta(seconds=20 * k)
    return LoggedAttempt(k, k, session, shot.name, "clip", "", nan, at, "A", tried, TABLE)


def test_repeats() -> None:
    place = (0.5, 0.3)
    nowhere = np.array([nan, nan])
    found = gather_tries(
        [
            logged(1, place),
            logged(2, (0.5, 0.34)),
            logged(3, (0.5, 0.45)),
            logged(4, (0.5, 0.45), shot=BANK),
            logged(5, (0.5, 0.45)),
            logged(6, (0.5, 0.45), session=2),
            logged(7, place, session=2, start_m=nowhere, cue_start_m=nowhere),
            logged(8, place, session=3),
            logged(9, place, session=3, cue_start_m=np.array([0.9, 0.3])),
        ],
        {KICK.name: KICK, BANK.name: BANK},
        "foot-right",
    )
    # Near; too far; another shot; back from it; another session; unknown; a first one; the cue ball from elsewhere.
    assert [t.repeat for t in found] == [False, True, False, False, False, False, None, False, False]
    assert found[0].along == pytest.approx(8 - 0.5 / TABLE.diamond_m)
    assert found[0].across == pytest.approx(0.3 / (TABLE.width_m / 4))
    assert len(select_tries(found, which="first")) == 7
    assert len(select_tries(found, which="repeat")) == 1
    assert len(select_tries(found, shot=BANK.name)) == 1


def test_an_outcome_put_right_counts() -> None:
    wrong = replace(logged(1, (0.5, 0.3)), corrections=(("outcome", "missed"), ("outcome", "unclear")))
    assert gather_tries([wrong], {KICK.name: KICK}, "foot-right")[0].outcome == "unclear"


@pytest.mark.parametrize(
    ("shot", "start", "cut_deg", "name"),
    [
        # To the left rail and on towards the foot: the way out points left, a turn to the right leads to the foot.
        (BANK, (0.8, 0.6), -20.0, "back cut"),
        (BANK, (0.8, 0.6), 20.0, "cut in"),
        (OTHER, (0.8, 0.6), 20.0, "back cut"),
        (OTHER, (0.8, 0.6), -20.0, "cut in"),
        (BANK, (0.8, 0.6), -4.9, "straight"),
        (BANK, (0.8, 0.6), nan, None),
        # Straight across into the pocket opposite there is neither.
        (replace(BANK, target_pocket="side-right"), (1.27, 0.6), 20.0, None),
        (KICK, (0.8, 0.6), 20.0, None),
    ],
)
def test_cut_classes(shot: Shot, start: tuple[float, float], cut_deg: float, name: str | None) -> None:
    banked = replace(attempt((0.8, 0.6), 0.0), start_m=np.array(start), cut_rad=radians(cut_deg))
    assert cut_class(banked, shot, TABLE) == name


def test_cut_in_leaves_squarer() -> None:
    """The words of the class against the lines themselves."""
    banked = replace(attempt((0.8, 0.6), 0.0, shot=BANK), cut_rad=radians(12.0))
    came = banked.bearing_rad - banked.cut_rad
    assert cut_class(banked, BANK, TABLE) == "cut in"
    assert abs(np.cos(banked.bearing_rad)) < abs(np.cos(came))


def test_cells_count_every_try_once() -> None:
    tries = [one(a, o) for a, o in ((0.2, "made"), (0.99, "missed"), (1.0, "made"), (8.0, "made"), (8.2, "unclear"))]
    tries.append(one(nan, "made"))
    for by in ("along", "across", "table"):
        found = make_rates(tries, by)  # type: ignore[arg-type]
        assert (found.overall.tries, found.overall.made, found.overall.unclear, found.unplaced) == (5, 4, 1, 1)
        assert sum(c.tries for c in found.cells) == 4
        assert sum(c.unclear for c in found.cells) == 1
    along = make_rates(tries, "along").cells
    assert [c.name for c in along] == ["0 to 1 along", "1 to 2 along", "7 to 8 along"]
    first = along[0]
    assert (first.tries, first.made, first.long, first.short, first.other) == (2, 1, 1, 0, 0)
    assert (first.low, first.high) == wilson(1, 2)
    assert first.rate < first.pooled < along[1].pooled < 1
    assert make_rates(tries, "table", 2.0).cells[0].name == "0 to 2 along, 0 to 2 across"
    with pytest.raises(InputError, match="cells of 0 sights"):
        make_rates(tries, "along", 0.0)


def test_a_try_of_unknown_order_is_neither_first_nor_repeat() -> None:
    tries = [replace(one(1.0, "made"), repeat=order) for order in (False, True, True, None, None, None)]
    found = make_rates(tries)
    assert (found.overall.tries, found.first.tries, found.repeats.tries) == (6, 1, 2)
    assert [len(select_tries(tries, which=which)) for which in ("all", "first", "repeat")] == [6, 1, 2]


def test_no_tries() -> None:
    found = make_rates([])
    assert found.cells == ()
    assert np.isnan(found.overall.rate)
    assert found.to_json()["overall"]["rate"] is None


@pytest.fixture
def full(engine: Engine) -> None:
    again = attempt((0.50, 0.27), 0.1, t_s=40.0), attempt((0.50, 0.27), 5.0, t_s=60.0)
    store_reading(engine, reading(), clip(1), player="A. Player")
    store_reading(engine, reading(again), clip(9), player="B. Player")


@pytest.mark.usefixtures("full")
def test_of_the_log(engine: Engine) -> None:
    found = rates_of_log(engine, Question())
    assert found.corner == "foot-right" == counted_from([KICK], TABLE)
    assert (found.rates.overall.made, found.rates.overall.tries) == (3, 7)
    assert (found.rates.first.tries, found.rates.repeats.tries) == (6, 1)
    both = rates_of_log(engine, Question(player="A. Player", against="B. Player")).rates
    assert both.apart is not None
    assert (both.apart.first.tries, both.apart.second.tries) == (5, 2)
    assert both.apart.difference.value == pytest.approx(2 / 5 - 1 / 2)
    periods = rates_of_log(engine, Question(before=date(2026, 3, 5))).rates.apart
    assert periods is not None
    assert (periods.first.tries, periods.second.tries) == (2, 5)
    assert rates_of_log(engine, Question(since=date(2026, 3, 9), until=date(2026, 3, 9))).rates.overall.tries == 2


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (Question(shot="none such"), "no shot named"),
        (Question(player="C"), "no tries of a player 'C'"),
        (Question(against="A. Player"), "two different players"),
        (Question(player="A. Player", against="A. Player"), "two different players"),
        (Question(player="A. Player", against="B. Player", before=date(2026, 3, 5)), "not both"),
        (Question(since=date(2026, 3, 5), until=date(2026, 3, 1)), "before it begins"),
    ],
)
def test_questions_that_cannot_be_answered(engine: Engine, asked: Question, says: str) -> None:
    with pytest.raises(InputError, match=says):
        rates_of_log(engine, asked)


@pytest.mark.usefixtures("full")
def test_command(tmp_path: Path, engine: Engine) -> None:
    files = {name: tmp_path / f"rates.{name}" for name in ("csv", "json", "svg")}
    options = [part for name, path in files.items() for part in (f"--{name}", path)]
    result = run("rates", "--shot", KICK.name, "--by", "table", *options)
    assert result.exit_code == 0, result.output
    assert f"{KICK.name}: 3 of 7 made, 43 % (95 %: 16 to 75 %)." in " ".join(result.stdout.split())
    rows = list(csv.DictReader(files["csv"].read_text().splitlines()))
    said = json.loads(files["json"].read_text())
    assert [r["name"] for r in rows if r["group"] == "cell"] == [c["name"] for c in said["cells"]]
    assert sum(int(r["tries"]) for r in rows if r["group"] == "cell") == 7
    ET.fromstring(files["svg"].read_text())
    asked = Question(shot=KICK.name, by="table")
    assert said == rates_of_log(engine, asked).to_json()
    assert "write a day such as" in run("rates", "--since", "soon").output


@pytest.mark.usefixtures("full")
def test_endpoint_and_page(client: Client, engine: Engine) -> None:
    said = client.get("/api/rates", params={"by": "across", "tries": "first"}).json()
    assert said == rates_of_log(engine, Question(by="across", tries="first")).to_json()
    assert client.get("/api/rates", params={"cell": 0}).status_code == 422
    assert client.get("/api/rates", params={"player": "C"}).json()["error"]["status"] == 422
    # A form sends its blanks too.
    blank = {"shot": "", "player": "", "since": "", "until": "", "against": "", "before": ""}
    page = client.get("/rates", params=blank)
    assert page.status_code == 200
    assert "3 of 7 made" in page.text
    assert 'class="table-drawing"' in page.text


@pytest.mark.usefixtures("full")
def test_a_shots_page_leads_to_its_rates(client: Client) -> None:
    found = re.search(r'href="(/rates\?shot=[^"]+)"', client.get("/shots/1").text)
    assert found is not None
    page = client.get(found[1]).text
    assert f"<h1>{KICK.name}</h1>" in page
    assert '<p class="under">3 of 7 made' in page


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize("query", ["since=soon", "by=price", "cell=nan", "cell=9", "tries=last", "shot=" + "x" * 201])
def test_wrong_questions_get_one_sentence(client: Client, query: str) -> None:
    answer = client.get(f"/api/rates?{query}")
    assert answer.status_code == 422
    assert answer.json()["error"]["message"].endswith(".")


def test_cue_ball_of_a_back_cut_lies_on_the_targets_side() -> None:
    """Where the cue ball lay, against the words: the target is at the foot, further along x."""
    banked = attempt((0.8, 0.6), 0.0, shot=BANK)
    for cut_deg, name, towards_target in ((12.0, "cut in", False), (-12.0, "back cut", True)):
        came = banked.bearing_rad - radians(cut_deg)
        cue = banked.start_m - 0.3 * np.array([np.cos(came), np.sin(came)])
        straight = banked.start_m - 0.3 * np.array([np.cos(banked.bearing_rad), np.sin(banked.bearing_rad)])
        assert cut_class(replace(banked, cut_rad=radians(cut_deg)), BANK, TABLE) == name
        assert bool(cue[0] > straight[0]) is towards_target


def test_empty_log(client: Client) -> None:
    assert "No tries here yet." in client.get("/rates").text
    assert client.get("/api/rates").json()["overall"]["tries"] == 0


@pytest.mark.usefixtures("full")
def test_picture_has_every_cell_where_it_lies(engine: Engine) -> None:
    answer = rates_of_log(engine, Question(by="table"))
    root = ET.fromstring(draw_rates(answer))
    boxes = [e for e in root.iter() if "cell tenth-" in e.get("class", "")]
    assert len(boxes) == len(answer.rates.cells)
    starts = [(500.0, -270.0), (1450.0, -240.0)]
    for x, y in starts:
        assert any(
            float(b.get("x", 0)) <= x <= float(b.get("x", 0)) + float(b.get("width", 0))
            and float(b.get("y", 0)) <= y <= float(b.get("y", 0)) + float(b.get("height", 0))
            for b in boxes
        )
