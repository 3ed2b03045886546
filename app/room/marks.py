"""Marks: named things in the room that one could aim at, as the user states them.

A place in the table frame, a sight of a rail, or what a tape tells: so far along a rail from one of its corners (where
the noses' lines meet) and so far straight out from its nose.
"""

import re
from dataclasses import dataclass
from math import isfinite
from typing import Any, get_args

import numpy as np

from calibration.errors import InputError
from calibration.table import CORNERS, RAILS, Corner, Rail, Table, Vector

Marks = dict[str, tuple[float, float]]
# A mark farther off than this is in another room, or not in metres.
FARTHEST_M = 100.0
LONGEST_NAME = 60
SIGHT = re.compile(
    r"sight (?P<sight>\d+(\.\d+)?) of (the )?(?P<rail>head|foot|left|right)( rail)? "
    r"from (the )?(?P<corner>[a-z]+-[a-z]+)( corner)?"
)
SIGHT_EXAMPLE = "sight 3 of the left rail from foot-left"


@dataclass(frozen=True)
class Sight:
    """A place on the line of a rail's sights, counted from a corner."""

    sight: float
    rail: Rail
    corner: Corner


@dataclass(frozen=True)
class Taped:
    """A place so far along a rail's nose line from a corner (negative: away from the rail), and so far straight out
    from it, metres."""

    rail: Rail
    corner: Corner
    along_m: float
    out_m: float


@dataclass(frozen=True)
class Mark:
    name: str
    place: tuple[float, float] | Sight | Taped

    def at_m(self, table: Table) -> Vector:
        """Where it is, (2,), metres in the table frame."""
        place = self.place
        if isinstance(place, Sight):
            return table.rail_point_m(place.rail, place.sight, place.corner, at="sight")
        if isinstance(place, Taped):
            return taped_m(place.rail, place.corner, place.along_m, place.out_m, table)
        return np.array(place)


def marks_on(marks: tuple[Mark, ...], table: Table) -> Marks:
    """Marks by name, as places in the table frame."""
    return {mark.name: (float(at[0]), float(at[1])) for mark in marks for at in [mark.at_m(table)]}


def taped_m(rail: Rail, corner: Corner, along_m: float, out_m: float, table: Table) -> Vector:
    """The place so far along a rail's nose from a corner and so far straight out, (2,), metres."""
    zero, one = (table.rail_point_m(rail, sight, corner, at="nose") for sight in (0.0, 1.0))
    out = table.rail_point_m(rail, 0.0, corner, at="sight") - zero
    along_way, out_way = ((way / float(np.hypot(*way))) for way in (one - zero, out))
    place: Vector = zero + along_m * along_way + out_m * out_way
    return place


def parse_mark(text: str) -> Mark:
    """A mark as the command line takes it: ``window post=2.9,3.1``, metres in the table frame, or
    ``third=sight 3 of the left rail from foot-left``.

    Raises InputError.
    """
    where = f"--mark {text!r}"
    name, found, place = text.rpartition("=")
    if found and place.strip().startswith("sight"):
        return Mark(_name(name, where), parse_sight(place, where))
    parts = place.split(",")
    if not found or not name.strip() or len(parts) != 2:
        raise InputError(
            f'{where}: write a name and a place in metres, such as --mark "window post=2.9,3.1", or a sight, such as '
            f'--mark "third={SIGHT_EXAMPLE}".'
        )
    try:
        x_m, y_m = (float(part) for part in parts)
    except ValueError:
        raise InputError(f"{where}: {place!r} is no place; write two numbers, such as 2.9,3.1.") from None
    return Mark(_name(name, where), (near(x_m, where), near(y_m, where)))


def parse_sight(text: str, where: str) -> Sight:
    """``sight 3 of the left rail from foot-left``. Raises InputError."""
    found = SIGHT.fullmatch(" ".join(text.split()))
    if found is None:
        raise InputError(f"{where}: {text!r} is no sight; write it so: {SIGHT_EXAMPLE}.")
    rail, corner, sight = found["rail"], found["corner"], float(found["sight"])
    end(rail, corner, where)
    most = 8 if rail in ("left", "right") else 4
    if sight > most:
        raise InputError(f"{where}: the {rail} rail has sights 0 to {most}, corners included; there is no {sight:g}.")
    return Sight(sight, rail, corner)  # type: ignore[arg-type]


def mark_of(name: str, value: Any, unit_m: float, where: str) -> Mark:
    """A mark of a file, its lengths in ``unit_m`` metres. Raises InputError."""
    checked = _name(name, where)
    if isinstance(value, str):
        return Mark(checked, parse_sight(value, where))
    if isinstance(value, dict):
        if set(value) != {"rail", "from", "along", "out"}:
            raise InputError(
                f'{where} by tape has four entries: {{rail = "left", from = "foot-left", along = 0.80, out = 1.20}}.'
            )
        end(value["rail"], value["from"], where)
        along, out = (near(length(value[key], unit_m, f"{where}, {key},"), where) for key in ("along", "out"))
        return Mark(checked, Taped(value["rail"], value["from"], along, out))
    return Mark(checked, place_of(value, unit_m, where))


def place_of(value: Any, unit_m: float, where: str) -> tuple[float, float]:
    """A place ``[x, y]``, metres. Raises InputError."""
    if not isinstance(value, list) or len(value) != 2:
        raise InputError(
            f"{where} must be a place [x, y] in the table frame, such as [2.9, 3.1], or a sight, or by tape."
        )
    x_m, y_m = (near(length(v, unit_m, where), where) for v in value)
    return x_m, y_m


def length(value: Any, unit_m: float, where: str) -> float:
    """A length in metres. Raises InputError."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where} is {value!r}; it must be a number.")
    return float(value) * unit_m


def near(value_m: float, where: str) -> float:
    """Raises InputError for a length that belongs to no room."""
    if not (isfinite(value_m) and abs(value_m) <= FARTHEST_M):
        raise InputError(f"{where}: that is over {FARTHEST_M:g} m away; look at the number and its unit.")
    return value_m


def end(rail: Any, corner: Any, where: str) -> None:
    """Raises InputError unless the rail ends at the corner."""
    if rail not in get_args(Rail):
        raise InputError(f"{where}: rail {rail!r} is not known; use {', '.join(RAILS)}.")
    if corner not in CORNERS or rail not in corner.split("-"):
        ends = " or ".join(one for one in CORNERS if rail in one.split("-"))
        raise InputError(f"{where}: the {rail} rail is counted from {ends}, not from {corner!r}.")


def _name(name: str, where: str) -> str:
    if not name.strip() or len(name.strip()) > LONGEST_NAME:
        raise InputError(f"{where}: a mark's name has 1 to {LONGEST_NAME} letters.")
    return name.strip()
