"""The room as the user states it: marks, walls, units; and where lines meet walls."""

from math import hypot
from pathlib import Path

import numpy as np
import pytest

from app.room.marks import Mark, Sight, parse_mark
from app.room.room_file import Room, load_room
from app.room.walls import first_wall, on_wall, run_to, walls_by_rails
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES

TABLE = STANDARD_TABLES["9ft"]
L, W = TABLE.length_m, TABLE.width_m
ROOM = """
unit = "cm"
[walls]
left = 180
foot = 210
[[wall]]
name = "chimney"
from = [200, 290]
to = [260, 290]
[marks]
"window post" = [290, 310]
third = "sight 3 of the left rail from foot-left"
lamp = {rail = "left", from = "foot-left", along = 80, out = 120}
"""


def room(tmp_path: Path, text: str) -> Room:
    path = tmp_path / "room.toml"
    path.write_text(text)
    return load_room(path)


def test_marks_of_the_command_line() -> None:
    assert parse_mark("window post=2.9,3.1") == Mark("window post", (2.9, 3.1))
    assert parse_mark(" a=b = -1 , 4") == Mark("a=b", (-1.0, 4.0))
    sight = Mark("third", Sight(3.0, "left", "foot-left"))
    assert parse_mark("third=sight 3 of the left rail from foot-left") == sight
    assert parse_mark("third= sight 3  of left from the foot-left corner ") == sight


@pytest.mark.parametrize(
    "text",
    [
        "lamp", "=1,2", "lamp=1", "lamp=1,2,3", "lamp=x,2", "lamp=nan,2", "lamp=1,1e6",
        "lamp=sight", "lamp=sight 9 of the left rail from foot-left", "lamp=sight 3 of the left rail from left-foot",
        "lamp=sight 3 of the left rail from foot-right", "=sight 3 of the left rail from foot-left",
    ],
)  # fmt: skip
def test_what_is_no_mark_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="--mark"):
        parse_mark(text)


def test_an_older_file_of_marks_is_read(tmp_path: Path) -> None:
    path, none = tmp_path / "marks.toml", tmp_path / "room.toml"
    assert load_room(none, path) == Room()
    path.write_text('lamp = [2, 3.5]\n"door frame" = [-1.0, 4.0]\n')
    assert load_room(none, path).marks_on(TABLE) == {"lamp": (2.0, 3.5), "door frame": (-1.0, 4.0)}
    none.write_text(ROOM)
    with pytest.raises(InputError, match=r"mark 'lamp' stands in .*room\.toml too"):
        load_room(none, path)


def test_marks_by_place_by_sight_and_by_tape(tmp_path: Path) -> None:
    marks = room(tmp_path, ROOM).marks_on(TABLE)
    assert marks["window post"] == pytest.approx((2.9, 3.1))
    # Three sights from the foot, on the line of the sights behind the left nose.
    assert marks["third"] == pytest.approx((L * 5 / 8, W + TABLE.sight_setback_m))
    assert marks["lamp"] == pytest.approx((L - 0.8, W + 1.2))
    inches = room(tmp_path, 'unit = "in"\n[marks]\nlamp = {rail="head", from="head-right", along=-10, out=20}')
    assert inches.marks_on(TABLE)["lamp"] == pytest.approx((-20 * 0.0254, -10 * 0.0254))
    small = STANDARD_TABLES["7ft"]
    assert room(tmp_path, ROOM).marks_on(small)["third"][0] == pytest.approx(small.length_m * 5 / 8)


def test_walls_stand_where_a_tape_says(tmp_path: Path) -> None:
    walls = {wall.name: wall for wall in room(tmp_path, ROOM).walls_on(TABLE)}
    assert set(walls) == {"the wall behind the left rail", "the wall behind the foot rail", "chimney"}
    left = walls["the wall behind the left rail"]
    assert left.end_m == pytest.approx([L + 2.1, W + 1.8])
    assert (left.begin, left.end) == ("", "the room's foot-left corner")
    assert walls["chimney"].begin_m == pytest.approx([2.0, 2.9])
    whole = walls_by_rails({"head": 1.0, "foot": 2.0, "left": 3.0, "right": 4.0}, TABLE)
    # Each of the four corners of the room belongs to two walls.
    ends = [tuple(np.round(end, 9)) for wall in whole for end in (wall.begin_m, wall.end_m)]
    assert sorted(ends) == sorted(2 * [(-1.0, -4.0), (-1.0, W + 3), (L + 2, -4.0), (L + 2, W + 3)])
    names = {(wall.begin, tuple(wall.begin_m)) for wall in whole} | {(wall.end, tuple(wall.end_m)) for wall in whole}
    assert len(names) == 4


def test_where_lines_meet_walls(tmp_path: Path) -> None:
    walls = room(tmp_path, ROOM).walls_on(TABLE)
    start = np.array([1.27, 0.5])
    straight = first_wall(start, np.array([0.0, 1.0]), walls)
    assert straight is not None
    assert straight[0].name == "the wall behind the left rail"
    assert straight[1] == pytest.approx(W + 1.8 - 0.5)
    # The chimney stands before it.
    towards = np.array([2.3, 2.9]) - start
    chimney = first_wall(start, towards / hypot(*towards), walls)
    assert chimney is not None
    assert (chimney[0].name, chimney[1]) == ("chimney", pytest.approx(hypot(*towards)))
    assert first_wall(start, np.array([0.0, -1.0]), walls) is None
    behind = {wall.rail: wall for wall in walls}
    assert run_to(start, np.array([1.0, 0.0]), behind["left"]) == np.inf
    assert run_to(start, np.array([1.0, 0.0]), behind["foot"]) == pytest.approx(L + 2.1 - 1.27)
    piece = next(wall for wall in walls if wall.name == "chimney")
    assert run_to(start, np.array([0.0, 1.0]), piece) == np.inf
    assert run_to(start, np.array([0.0, 1.0]), piece, carried_on=True) == pytest.approx(2.4)


def test_a_place_on_a_wall_by_tape(tmp_path: Path) -> None:
    walls = {wall.name: wall for wall in room(tmp_path, ROOM).walls_on(TABLE)}
    left = walls["the wall behind the left rail"]
    at = on_wall(left, np.array([2.0, W + 1.8]), "foot-right", TABLE)
    assert (at.end, at.along_m) == ("the room's foot-left corner", pytest.approx(L + 2.1 - 2.0))
    assert (at.corner, at.level_m) == ("foot-left", pytest.approx(L - 2.0))
    past = on_wall(left, np.array([L + 0.3, W + 1.8]), "foot-right", TABLE)
    assert past.level_m == pytest.approx(-0.3)
    piece = on_wall(walls["chimney"], np.array([2.5, 2.9]), "foot-right", TABLE)
    assert (piece.end, piece.along_m) == ("the end of chimney", pytest.approx(0.1))
    assert piece.corner is None
    head = on_wall(walls["the wall behind the foot rail"], np.array([L + 2.1, 0.2]), "foot-right", TABLE)
    assert (head.corner, head.level_m) == ("foot-right", pytest.approx(0.2))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("lamp", "not a file of the room"),
        ("lamp = 3", "'lamp' is not known"),
        ('unit = "ft"', "unit is 'ft'"),
        ("walls = 3", "section of its own"),
        ("[walls]\nceiling = 3", "walls stand behind"),
        ("[walls]\nleft = 'far'", "must be a number"),
        ("[walls]\nleft = 0.1", "inside the rail"),
        ("[walls]\nleft = 180", "over 100 m away"),
        ("[walls]\nleft = inf", "must be a number"),
        ("wall = 3", r"under \[\[wall\]\]"),
        ("[[wall]]\nname = 'a'", "three entries"),
        ("[[wall]]\nname = ''\nfrom=[1,2]\nto=[3,4]", "1 to 60 letters"),
        ("[[wall]]\nname = 'a'\nfrom=[1,2]\nto=[1,2]", "begins where it ends"),
        ("[[wall]]\nname = 'a'\nfrom=[1,2]\nto=[1]", "must be a place"),
        ("[[wall]]\nname='a'\nfrom=[1,2]\nto=[2,3]\n[[wall]]\nname='a '\nfrom=[1,2]\nto=[2,3]", "names must differ"),
        ("[marks]\nlamp = 3", "must be a place"),
        ("[marks]\nlamp = [true, 1]", "must be a number"),
        ("[marks]\nlamp = [1, 2e4]", "over 100 m"),
        ("[marks]\nlamp = 'over there'", "is no sight"),
        ("[marks]\nlamp = {rail='left'}", "four entries"),
        ("[marks]\nlamp = {rail='up', from='foot-left', along=1, out=1}", "rail 'up' is not known"),
        ("[marks]\nlamp = {rail='left', from='foot-right', along=1, out=1}", "counted from"),
        ("[marks]\nlamp = {rail='left', from=['x'], along=1, out=1}", "counted from"),
        ("[marks]\nlamp = [1, 2]\n'lamp ' = [2, 3]", "but for blanks"),
        ("[marks]\n'' = [1, 2]", "1 to 60 letters"),
    ],
)
def test_a_room_that_cannot_be_is_refused_by_file_and_entry(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as refusal:
        room(tmp_path, text)
    assert str(refusal.value).startswith(str(tmp_path / "room.toml"))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_room(tmp_path)
    marks = tmp_path / "marks.toml"
    marks.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match=r"marks\.toml: not a file of the room"):
        load_room(tmp_path / "room.toml", marks)


def test_a_piece_of_wall_across_the_table_is_refused(tmp_path: Path) -> None:
    across = room(tmp_path, "[[wall]]\nname = 'a'\nfrom = [1.0, -1.0]\nto = [1.2, 2.0]")
    with pytest.raises(InputError, match="'a' would cross the table"):
        across.walls_on(TABLE)
