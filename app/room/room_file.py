"""The room's file: walls and marks, given once, as a person with a tape would write them.

    unit = "cm"                      # m (without this line), cm or in: of every length in the file
    [walls]                          # from the nose of each rail straight out to the wall behind it
    left = 180
    foot = 210
    [[wall]]                         # any other straight piece, between two places in the table frame
    name = "chimney"
    from = [200, 290]
    to = [260, 290]
    [marks]
    "window post" = [290, 310]       # a place in the table frame,
    "third" = "sight 3 of the left rail from foot-left"
    "lamp" = {rail = "left", from = "foot-left", along = 80, out = 120}

The older file of marks alone, a line a mark in metres, is read beside it.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from app.room.marks import Mark, Marks, length, mark_of, marks_on, near, place_of
from app.room.walls import NEAREST_M, Piece, Wall, wall_of, walls_by_rails
from calibration.errors import InputError
from calibration.table import INCH_M, RAILS, Rail, Table

UNITS_M = {"m": 1.0, "cm": 0.01, "in": INCH_M}
MOST_ENTRIES = 200


@dataclass(frozen=True)
class Room:
    """``out_m``: how far each wall is from the nose of its rail, metres. Names are unique."""

    out_m: tuple[tuple[Rail, float], ...] = ()
    pieces: tuple[Piece, ...] = ()
    marks: tuple[Mark, ...] = ()

    def walls_on(self, table: Table) -> tuple[Wall, ...]:
        """The walls round a table. Raises InputError for one that would cross it."""
        return (*walls_by_rails(dict(self.out_m), table), *(wall_of(piece, table) for piece in self.pieces))

    def marks_on(self, table: Table) -> Marks:
        """The marks as places in a table's frame, metres."""
        return marks_on(self.marks, table)

    def mark_names(self) -> list[str]:
        return [mark.name for mark in self.marks]

    def with_marks(self, more: Iterable[Mark]) -> "Room":
        """With these marks too; of two of one name the later counts."""
        by_name = {mark.name: mark for mark in (*self.marks, *more)}
        return replace(self, marks=tuple(by_name.values()))


def load_room(room_file: Path, marks_file: Path | None = None) -> Room:
    """The room of its file, with the marks of an older file of marks; an empty one when there is no file.

    Raises InputError, naming the file and the entry, also when both files place a mark of one name.
    """
    data = _read(room_file, 'entries such as unit = "cm" and [walls]')
    room = parse_room(data, str(room_file)) if data is not None else Room()
    older = _read(marks_file, 'lines such as "lamp" = [2.9, 3.1]') if marks_file is not None else None
    if older is None:
        return room
    marks = _marks(older, 1.0, str(marks_file))
    twice = {mark.name for mark in marks} & {mark.name for mark in room.marks}
    if twice:
        raise InputError(f"{marks_file}: mark {min(twice)!r} stands in {room_file} too; take one of the two out.")
    return room.with_marks(marks)


def parse_room(data: dict[str, Any], where: str) -> Room:
    """A room given as its file's mapping. Raises InputError."""
    unknown = sorted(set(data) - {"unit", "walls", "wall", "marks"})
    if unknown:
        raise InputError(f"{where}: entry {unknown[0]!r} is not known; known are unit, [walls], [[wall]] and [marks].")
    unit = data.get("unit", "m")
    if not isinstance(unit, str) or unit not in UNITS_M:
        raise InputError(f"{where}: unit is {unit!r}; use one of {', '.join(UNITS_M)}.")
    unit_m = UNITS_M[unit]
    walls = _section(data, "walls", where)
    out: list[tuple[Rail, float]] = []
    for rail, value in walls.items():
        if rail not in RAILS:
            raise InputError(f"{where}: [walls] has {rail!r}; walls stand behind {', '.join(RAILS)}.")
        here = f"{where}: the wall behind the {rail} rail"
        away = near(length(value, unit_m, here), here)
        if away < NEAREST_M:
            raise InputError(
                f"{here} is {away:.3g} m from its nose, which is inside the rail; give the distance from the nose "
                f"to the wall, in {unit}."
            )
        out.append((rail, away))
    pieces = _pieces(data.get("wall", []), unit_m, where)
    return Room(tuple(out), pieces, _marks(_section(data, "marks", where), unit_m, where))


def _pieces(found: Any, unit_m: float, where: str) -> tuple[Piece, ...]:
    if not isinstance(found, list) or len(found) > MOST_ENTRIES or not all(isinstance(one, dict) for one in found):
        raise InputError(f"{where}: write a piece of wall under [[wall]], with name, from and to.")
    pieces: list[Piece] = []
    for k, entry in enumerate(found, 1):
        here = f"{where}: [[wall]] number {k}"
        if set(entry) != {"name", "from", "to"}:
            raise InputError(f'{here} has three entries: name = "chimney", from = [2.0, 2.9] and to = [2.6, 2.9].')
        name = entry["name"]
        if not isinstance(name, str) or not name.strip() or len(name) > 60:
            raise InputError(f"{here}: its name has 1 to 60 letters.")
        if name.strip() in {piece.name for piece in pieces}:
            raise InputError(f"{here}: another wall is called {name.strip()!r}; names must differ.")
        begin, end = (place_of(entry[key], unit_m, f"{here}: {key!r}") for key in ("from", "to"))
        if begin == end:
            raise InputError(f"{here}: {name.strip()!r} begins where it ends.")
        pieces.append(Piece(name.strip(), begin, end))
    return tuple(pieces)


def _marks(found: dict[str, Any], unit_m: float, where: str) -> tuple[Mark, ...]:
    if len(found) > MOST_ENTRIES:
        raise InputError(f"{where}: {len(found)} marks are too many; keep at most {MOST_ENTRIES}.")
    marks = [mark_of(name, value, unit_m, f"{where}: mark {name!r}") for name, value in found.items()]
    if len({mark.name for mark in marks}) < len(marks):
        raise InputError(f"{where}: two marks have one name but for blanks; names must differ.")
    return tuple(marks)


def _section(data: dict[str, Any], name: str, where: str) -> dict[str, Any]:
    section = data.get(name, {})
    if not isinstance(section, dict):
        raise InputError(f"{where}: [{name}] must be a section of its own.")
    return section


def _read(path: Path, such_as: str) -> dict[str, Any] | None:
    try:
        with path.open("rb") as stream:
            return tomllib.load(stream)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: this file of the room cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: not a file of the room ({error}); write {such_as}.") from error
