"""The room's marks for a shot of the log: the answer, its words, table and picture, the command, page and endpoints."""

import csv
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from io import StringIO
from math import hypot
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.room.from_log import MarksAnswer, hidden_by, marks_of_all, marks_of_log, mean_miss_m, merged
from app.room.room_file import Room, load_room
from app.room.walls import walls_by_rails
from app.store.log import store_reading
from app.store.log_views import find_shot
from app.telling.drawing import View
from app.telling.marks_csv import write_marks
from app.telling.marks_drawing import clipped, draw_marks
from app.telling.marks_words import (
    TRIP,
    by_shot_table,
    mark_detail,
    mark_table,
    marks_sentences,
    scale_tables,
    start_tables,
)
from calibration.errors import InputError
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, TABLE, attempt, reading
from tests.app.test_command_line import run
from vision.shot import Shot

ROOM = """
unit = "cm"
[walls]
left = 90
foot = 210
[marks]
"window post" = [243, 238]
third = "sight 3 of the left rail from foot-left"
"""
STARTS = [(x, y) for x in (0.74, 0.98, 1.22, 1.45) for y in (0.2, 0.4)]


@pytest.fixture
def full(engine: Engine, own_data_dir: Path) -> Path:
    """Nine attempts, two of them from within a ball's width, and a room in the data folder."""
    rng = np.random.default_rng(4)
    tried = [attempt(start, float(rng.normal(0, 0.6)), t_s=3 + 7 * k) for k, start in enumerate(STARTS)]
    tried.append(attempt((0.745, 0.205), 0.3, t_s=90.0))
    store_reading(engine, reading(tried), clip(1))
    own_data_dir.mkdir(parents=True, exist_ok=True)
    path = own_data_dir / "room.toml"
    path.write_text(ROOM)
    return path


@pytest.fixture
def answer(full: Path, engine: Engine) -> MarksAnswer:
    return marks_of_log(engine, find_shot(engine, KICK.name), load_room(full))


def test_the_answer(answer: MarksAnswer) -> None:
    assert [judged.aim.name for judged in answer.judged] == ["the point", "window post", "third"]
    assert sorted(answer.at.tries) == [1, 1, 1, 1, 1, 1, 1, 2]
    assert len(answer.over.start_m) == 21
    point, post, third = answer.judged
    assert mean_miss_m(point, answer.at) < mean_miss_m(post, answer.at) < mean_miss_m(third, answer.at)
    assert answer.hidden == ("the wall behind the left rail", "the wall behind the left rail", "")
    assert len(answer.scale) == 9
    assert any(mark.seen for mark in answer.scale)
    assert not all(mark.seen for mark in answer.scale)
    # Past the lines seen nothing is good enough, and the point is where they are.
    good = np.array([v == "good enough" for v in answer.judged_over[0].verdicts["pocketed"]])
    assert good.any()
    assert not (good & ~answer.over.seen).any()


def test_the_fits_own_rules_know_the_rooms_marks(answer: MarksAnswer) -> None:
    names = {rule.name for rule in answer.practice.fit.rules}
    assert {"mark:window post", "mark:third"} <= names


def test_starts_nearer_than_a_balls_width_count_together() -> None:
    places, counts = merged(np.array([[0.0, 0.0], [0.03, 0.0], [0.08, 0.0], [0.0, 0.05]]), 0.057)
    assert places.tolist() == [[0.0, 0.0], [0.08, 0.0]]
    assert counts.tolist() == [3, 1]


def test_a_mark_on_a_wall_is_seen_and_one_beyond_is_not() -> None:
    walls = walls_by_rails({"left": 1.0}, TABLE)
    middle = TABLE.centre_m
    assert hidden_by(np.array([1.0, TABLE.width_m + 1.0]), middle, walls) == ""
    assert hidden_by(np.array([1.0, TABLE.width_m + 1.2]), middle, walls) == "the wall behind the left rail"
    assert hidden_by(np.array([1.0, -5.0]), middle, walls) == ""


def test_words(answer: MarksAnswer) -> None:
    assert marks_sentences(answer)[0].startswith("The point lies beyond the wall behind the left rail: the marks")
    table = mark_table(answer)
    assert table.columns == ("mark", "where", "miss to expect", "good to pocket", "good over the table", "good to hit")
    assert [row[0] for row in table.rows] == ["the point", "window post", "third"]
    assert table.rows[2][1] == "left rail: 9 cm out, 95 cm from foot-left"
    assert table.rows[0][1].endswith("; beyond a wall")
    starts = start_tables(answer)[0]
    assert starts.columns == ("start", "the point", "window post", "third")
    assert len(starts.rows) == 8
    assert sum("(2 tries)" in row[0] for row in starts.rows) == 1
    assert all(row[3].endswith("×") for row in starts.rows)
    (scale,) = scale_tables(answer)
    assert scale.heading == "Marks on the wall behind the left rail"
    assert scale.columns[1:3] == ("from the room's foot-left corner", "in from level with the noses' foot-left corner")
    assert "for no other" in scale.note
    detail = mark_detail(answer, answer.judged[2])
    assert detail.columns == ("start", "misses by", "to expect", "to pocket", "to hit")


def test_long_and_short_are_told_by_the_side_on_which_it_passes(answer: MarksAnswer) -> None:
    """A ball that meets the left rail farther on towards the foot than it should arrives beyond its target: long."""
    detail = mark_detail(answer, answer.judged[2])
    for k, row in enumerate(detail.rows):
        start = answer.at.start_m[k]
        mark = answer.judged[2].aim.place_m
        assert mark is not None
        at_rail = start[0] + (mark - start)[0] * (TABLE.width_m - start[1]) / (mark - start)[1]
        point = answer.practice.fit.convergence.point_m
        assert point is not None
        needed_at_rail = start[0] + (point - start)[0] * (TABLE.width_m - start[1]) / (point - start)[1]
        assert row[1].endswith("long" if at_rail > needed_at_rail else "short")


def test_what_is_not_there_is_said(engine: Engine, full: Path) -> None:
    bare = marks_of_log(engine, find_shot(engine, KICK.name), Room())
    said = " ".join(marks_sentences(bare))
    assert "No walls are known" in said
    assert "No marks are known" in said
    assert scale_tables(bare) == ()
    assert len(mark_table(bare).rows) == 1


def test_too_few_attempts_are_refused_with_the_reason(engine: Engine) -> None:
    store_reading(engine, reading([attempt((0.74, 0.25), 0.1)]), clip(1))
    with pytest.raises(InputError, match="cannot be judged"):
        marks_of_log(engine, find_shot(engine, KICK.name), Room())


def test_table_for_a_spreadsheet(answer: MarksAnswer) -> None:
    text = StringIO()
    write_marks([answer], text)
    rows = list(csv.DictReader(StringIO(text.getvalue())))
    by_table = {name: [row for row in rows if row["table"] == name] for name in ("seen", "over_table", "scale")}
    assert {name: len(found) for name, found in by_table.items()} == {"seen": 24, "over_table": 63, "scale": 9}
    for row in by_table["scale"]:
        assert float(row["place_y_m"]) == pytest.approx(TABLE.width_m + 0.9, abs=1e-4)
        assert float(row["along_m"]) - float(row["level_m"]) == pytest.approx(2.1, abs=1e-3)
    assert {row["to_pocket"] for row in by_table["seen"] if row["mark"] == "third"} == {"not"}
    assert sum(int(row["tries"]) for row in by_table["seen"] if row["mark"] == "third") == 9


def test_picture(answer: MarksAnswer) -> None:
    root = ET.fromstring(draw_marks(answer, standalone=True))
    classes = [e.get("class", "") for e in root.iter()]
    # The wall behind the foot rail is far from all that counts, and out of the picture.
    assert classes.count("wall") == 1
    assert classes.count("mark") == 2
    assert classes.count("tick") == 9
    one = [e.get("class", "") for e in ET.fromstring(draw_marks(answer, mark="third")).iter()]
    assert one.count("mark") == 1
    assert one.count("tick") == 0
    verdicts = answer.judged_over[2].verdicts["pocketed"]
    assert one.count("verdict-good") == verdicts.count("good enough")
    assert one.count("verdict-not") == 2 * verdicts.count("not")
    assert one.count("no-line") == verdicts.count("no path")


def test_walls_are_cut_at_the_edge_of_the_picture() -> None:
    view = View(0.0, 0.0, 4.0, 2.0)
    part = clipped(np.array([-100.0, 1.0]), np.array([100.0, 1.0]), view)
    assert part is not None
    assert (part[0].tolist(), part[1].tolist()) == ([0.0, 1.0], [4.0, 1.0])
    slanted = clipped(np.array([3.0, -1.0]), np.array([5.0, 1.0]), view)
    assert slanted is None or hypot(*(slanted[1] - slanted[0])) < 1e-9
    assert clipped(np.array([-1.0, 3.0]), np.array([5.0, 3.0]), view) is None
    inside = clipped(np.array([1.0, 0.5]), np.array([3.0, 1.5]), view)
    assert inside is not None
    assert inside[1].tolist() == [3.0, 1.5]


def test_command(answer: MarksAnswer, tmp_path: Path) -> None:
    files = {name: tmp_path / f"marks.{name}" for name in ("csv", "json", "svg")}
    options = [part for name, path in files.items() for part in (f"--{name}", path)]
    result = run("marks", "--shot", KICK.name, *options)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert TRIP in said
    assert "take its place" in said
    assert json.loads(files["json"].read_text()) == answer.to_json()
    assert len(files["csv"].read_text().splitlines()) == 1 + 24 + 63 + 9
    ET.fromstring(files["svg"].read_text())
    more = run(
        "marks", "--shot", KICK.name, "--mark", "first=sight 1 of the left rail from foot-left", "--show", "first"
    )
    assert "Aiming at first." in more.stdout
    other = tmp_path / "other.toml"
    other.write_text("[walls]\nleft = 4.0\n")
    elsewhere = run("marks", "--shot", KICK.name, "--room", other)
    assert "The point lies in the room: one mark" in " ".join(elsewhere.stdout.split())


def test_all_shots_side_by_side(answer: MarksAnswer, engine: Engine, client: Client, tmp_path: Path) -> None:
    """The same lines to the same ball: to hit it bears marks that to pocket it does not."""
    bank = Shot("a bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
    store_reading(engine, reading([attempt(s, 0.2, shot=bank) for s in STARTS], shot=bank), clip(2))
    few = replace(KICK, name="few")
    store_reading(engine, reading([attempt(STARTS[0], 0.2, shot=few)], shot=few), clip(3))
    answers, refused = marks_of_all(engine, load_room(tmp_path / "data" / "room.toml"))
    assert [one.practice.shot.name for one in answers] == ["a bank", KICK.name]
    assert [name for name, _ in refused] == ["few"]
    assert answers[1].to_json() == answer.to_json()
    rows = by_shot_table(answers).rows
    assert [row[:2] for row in rows][:2] == [("third", "a bank"), ("third", KICK.name)]
    assert rows[-1][:2] == ("the point", KICK.name)
    # A bank is not made by hitting.
    assert rows[0][4] == "–"
    files = tmp_path / "all.csv", tmp_path / "all.json"
    told = run("marks", "--csv", files[0], "--json", files[1])
    assert told.exit_code == 0, told.output
    assert TRIP in " ".join(told.stdout.split())
    assert "The marks cannot be judged for 'few' yet" in " ".join(told.stdout.split())
    assert json.loads(files[1].read_text()) == [one.to_json() for one in answers]
    assert {row["shot"] for row in csv.DictReader(files[0].read_text().splitlines())} == {"a bank", KICK.name}
    assert client.get("/api/marks").json() == [one.to_json() for one in answers]
    page = client.get("/marks").text
    assert TRIP in page
    assert "cannot be judged for" in page


def test_marks_of_an_empty_log(client: Client) -> None:
    assert "No shot has a fit yet." in client.get("/marks").text
    assert client.get("/api/marks").json() == []


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--shot", "none such"), "no shot named"),
        (("--shot", KICK.name, "--mark", "x"), "--mark 'x'"),
        (("--shot", KICK.name, "--room", "nowhere.toml"), "no such file of the room"),
        (("--shot", KICK.name, "--show", "lamp"), "there is no mark 'lamp'; there is the point, window post, third"),
        (("--shot", KICK.name, "--every", "0"), "use a step from"),
        (("--show", "third"), "go with one shot"),
    ],
)
def test_wrong_commands(options: tuple[str, ...], says: str) -> None:
    result = run("marks", *options)
    assert result.exit_code == 1
    assert says in " ".join(result.output.split())


def test_the_fit_takes_a_sight_as_a_mark(full: Path) -> None:
    told = run("fit", "--shot", KICK.name, "--mark", "fourth=sight 2 of the left rail from foot-left")
    assert told.exit_code == 0, told.output
    assert "fourth" in told.stdout
    full.write_text("nonsense = 3\n")
    assert "is not known" in run("fit", "--shot", KICK.name).output


def test_endpoints_and_page(answer: MarksAnswer, client: Client, full: Path) -> None:
    assert client.get("/api/shots/1/marks").json() == answer.to_json()
    more = client.get("/api/shots/1/marks", params={"mark": "lamp=2.4,2.4"}).json()
    assert [mark["name"] for mark in more["marks"]] == ["the point", "window post", "third", "lamp"]
    assert client.get("/api/shots/1/marks", params={"mark": "lamp"}).status_code == 422
    assert client.get("/api/shots/1/marks", params={"mark": ["a=1,2"] * 21}).status_code == 422
    assert client.get("/api/shots/1/marks.csv").text.startswith("shot,table,mark,")
    ET.fromstring(client.get("/api/shots/1/marks.svg", params={"show": "third"}).text)
    assert client.get("/api/shots/1/marks.svg", params={"show": "lamp"}).status_code == 404
    assert client.get("/api/shots/9/marks").status_code == 404
    assert 'href="/shots/1/marks"' in client.get("/shots/1").text
    page = client.get("/shots/1/marks").text
    assert TRIP in page
    assert "Third: from where it is good enough" in page
    full.write_text("[walls]\nleft = 0.01\n")
    broken = client.get("/shots/1/marks")
    assert "inside the rail" in broken.text
    assert TRIP in broken.text
