"""The file that says where printed markers lie: its checks, a layout to start from, and its template.

A sheet is laid flat on the cloth with its cut edge plumb under a rail's nose (a box stood against the nose gives that
edge), so that only one measure is taken for each: along the rail, from the nose of the rail at its end. Markers may
also be given by the place of their middle.
"""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import InputError
from calibration.markers import HIGHEST_ID, Marker, MarkerLayout
from calibration.table import RAILS, Rail, Table, standard_table

PLACE_SD_M = 0.002
SIZE_M = 0.120
LEAST_SIZE_M, MOST_SIZE_M = 0.03, 0.5
# From the square to the cut edge: far enough for white paper to show beside a nose that hides some of it.
CUT_MARGIN_M = 0.060
LEAST_MARKERS, MOST_LAID = 3, 10
# Markers may lie on the rails' tops, not beyond.
MOST_OUTSIDE_M, MOST_HEIGHT_M = 0.4, 0.3
# Of a template's markers on the side rails: the middle of a sheet is so far from the nose of the nearest end.
NEAR_END_M = 0.3

ENDS: dict[Rail, tuple[Rail, Rail]] = {
    "left": ("head", "foot"),
    "right": ("head", "foot"),
    "head": ("right", "left"),
    "foot": ("right", "left"),
}
# Of a sheet with its cut edge at the rail: direction of its upper edge, left to right, from +x.
TURN_DEG: dict[Rail, float] = {"right": 0.0, "foot": 90.0, "left": 180.0, "head": 270.0}


@dataclass(frozen=True)
class RailPlace:
    """Where a sheet lies against a rail: the distance of its middle line from the nose of the rail named."""

    id: int
    rail: Rail
    measured_from: Rail
    along_m: float

    def marker(self, table: Table, size_m: float, cut_edge_m: float) -> Marker:
        along_length = self.rail in ("left", "right")
        length = table.length_m if along_length else table.width_m
        along = self.along_m if self.measured_from in ("head", "right") else length - self.along_m
        across = {
            "right": cut_edge_m,
            "left": table.width_m - cut_edge_m,
            "head": cut_edge_m,
            "foot": table.length_m - cut_edge_m,
        }[self.rail]
        centre = (along, across) if along_length else (across, along)
        return Marker(self.id, centre, math.radians(TURN_DEG[self.rail]), 0.0, size_m)


def default_places(table: Table, count: int) -> list[RailPlace]:
    """Four to ten places that span a table: towards its corners first, then the middles of its ends, then between.

    Raises InputError for another count.
    """
    if not 4 <= count <= MOST_LAID:
        raise InputError(f"{count} markers cannot be laid out; print 4 to {MOST_LAID}, of which 6 do well.")
    middle, between = round(table.width_m / 2, 3), round(table.length_m * 3 / 8, 2)
    spots: list[tuple[Rail, Rail, float]] = [
        ("right", "head", NEAR_END_M),
        ("right", "foot", NEAR_END_M),
        ("left", "foot", NEAR_END_M),
        ("left", "head", NEAR_END_M),
        ("head", "right", middle),
        ("foot", "right", middle),
        ("right", "head", between),
        ("left", "foot", between),
        ("right", "foot", between),
        ("left", "head", between),
    ]
    return [RailPlace(k, *spot) for k, spot in enumerate(spots[:count], 1)]


def marker_template(table: Table, places: Sequence[RailPlace], size_m: float) -> str:
    """The file for places not yet measured, with what to do as comments."""
    entries = [
        f'[[marker]]\nid = {p.id}\nrail = "{p.rail}"\nfrom = "{p.measured_from}"\nalong_m = {p.along_m:.3f}\n'
        for p in places
    ]
    return f"""# Where the printed markers lie on the table. Metres.
# Lay each sheet flat on the cloth, its cut edge plumb under the nose of its rail, its arrow towards the middle of the
# table. Measure with a tape along the rail, from the nose of the rail named in 'from' to the sheet's middle line, and
# write that into along_m. Then film for some seconds, and take the sheets away before any ball is played.
table = "{table.name}"
place_sd_m = {PLACE_SD_M}      # how well the sheets were laid: 2 mm with a tape
size_m = {size_m:.3f}          # side of the black square, as measured on the print
cut_edge_m = {size_m / 2 + CUT_MARGIN_M:.3f}      # from the middle of the square to the cut edge

{chr(10).join(entries)}
# A marker that lies elsewhere is given by the middle of its square, in the table's frame: x from the head rail's nose
# to the foot, y from the right rail's nose to the left; how far its arrow is turned to the left (counter-clockwise)
# from pointing straight to the left rail; and how high it lies above the cloth, as on the top of a rail.
# [[marker]]
# id = 11
# centre_m = [0.635, 0.635]
# turn_deg = 0
# height_m = 0.0
"""


def load_markers(path: Path, table: str = "auto") -> MarkerLayout:
    """Read a file of markers' places. ``table`` is the size stated beside it, ``auto`` for none.

    Raises InputError, naming the file and the entry.
    """
    try:
        with path.open("rb") as stream:
            data = tomllib.load(stream)
    except OSError as error:
        raise InputError(f"{path}: the file of markers cannot be read ({error.strerror}).") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: the file of markers is not valid TOML: {error}.") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: the file of markers is not UTF-8 text.") from error
    return parse_markers(data, str(path), table)


def parse_markers(data: dict[str, Any], where: str, stated_table: str = "auto") -> MarkerLayout:
    """Check places given as the file's mapping. Raises InputError, naming ``where`` and the entry."""
    _refuse_unknown(data, {"table", "place_sd_m", "size_m", "cut_edge_m", "marker"}, where)
    name = data.get("table", stated_table)
    if not isinstance(name, str) or name == "auto":
        raise InputError(f'{where}: say which table the markers lie on, such as table = "9ft".')
    if stated_table not in ("auto", name):
        raise InputError(f"{where}: the markers were laid on a {name} table, but --table is {stated_table}.")
    try:
        table = standard_table(name)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    size_m = _number(data, "size_m", where, LEAST_SIZE_M, MOST_SIZE_M, SIZE_M)
    cut_edge_m = _number(data, "cut_edge_m", where, size_m / 2, 1.0, size_m / 2 + CUT_MARGIN_M)
    place_sd_m = _number(data, "place_sd_m", where, 0.0001, 0.1, PLACE_SD_M)
    entries = data.get("marker")
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise InputError(f"{where}: no marker is listed; give each a section [[marker]].")
    markers = [_marker(entry, k, where, table, size_m, cut_edge_m) for k, entry in enumerate(entries, 1)]
    numbers = [m.id for m in markers]
    for number in numbers:
        if numbers.count(number) > 1:
            raise InputError(f"{where}: marker {number} is listed twice; each sheet has a number of its own.")
    if len(markers) < LEAST_MARKERS:
        raise InputError(f"{where}: {len(markers)} markers are listed; lay at least {LEAST_MARKERS}, better six.")
    return MarkerLayout(table, tuple(markers), place_sd_m, cut_edge_m)


def _marker(entry: dict[str, Any], k: int, where: str, table: Table, size_m: float, cut_edge_m: float) -> Marker:
    number = entry.get("id")
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number <= HIGHEST_ID:
        raise InputError(f"{where}: id of marker section {k} must be the number on its sheet, 0 to {HIGHEST_ID}.")
    here = f"{where}: marker {number}"
    _refuse_unknown(entry, {"id", "rail", "from", "along_m", "centre_m", "turn_deg", "height_m", "size_m"}, here)
    size_m = _number(entry, "size_m", here, LEAST_SIZE_M, MOST_SIZE_M, size_m)
    if ("rail" in entry) == ("centre_m" in entry):
        raise InputError(f"{here}: give either the rail that it lies against, or centre_m, the place of its middle.")
    other = {"turn_deg", "height_m"} if "rail" in entry else {"from", "along_m"}
    for stray in sorted(other & entry.keys()):
        raise InputError(f"{here}: {stray} does not go with {'rail' if 'rail' in entry else 'centre_m'}; leave it out.")
    if "rail" in entry:
        rail = _rail(entry["rail"], RAILS, f"{here}: rail")
        measured_from = _rail(entry.get("from", ENDS[rail][0]), ENDS[rail], f"{here}: from")
        longest = table.length_m if rail in ("left", "right") else table.width_m
        along_m = _number(entry, "along_m", here, 0.0, longest)
        return RailPlace(number, rail, measured_from, along_m).marker(table, size_m, cut_edge_m)
    centre = entry["centre_m"]
    if not isinstance(centre, list) or len(centre) != 2:
        raise InputError(f"{here}: centre_m must be a place [x, y] in metres.")
    x, y = (
        _number({"centre_m": c}, "centre_m", here, -MOST_OUTSIDE_M, longest + MOST_OUTSIDE_M)
        for c, longest in zip(centre, (table.length_m, table.width_m), strict=True)
    )
    turn_deg = _number(entry, "turn_deg", here, -360.0, 360.0, 0.0)
    height_m = _number(entry, "height_m", here, 0.0, MOST_HEIGHT_M, 0.0)
    return Marker(number, (x, y), math.radians(turn_deg), height_m, size_m)


def _rail(value: Any, allowed: Sequence[Rail], here: str) -> Rail:
    if value not in allowed:
        raise InputError(f"{here} is {value!r}; use one of {', '.join(allowed)}.")
    rail: Rail = value
    return rail


def _number(
    data: dict[str, Any], entry: str, where: str, least: float, most: float, default: float | None = None
) -> float:
    value = data.get(entry, default)
    if value is None:
        raise InputError(f"{where}: {entry} is missing; give it as a number.")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{where}: {entry} is {value!r}; it must be a number.")
    if not least <= value <= most:
        raise InputError(f"{where}: {entry} is {value:g}; it must lie between {least:g} and {most:g}.")
    return float(value)


def _refuse_unknown(data: dict[str, Any], known: set[str], where: str) -> None:
    for entry in data:
        if entry not in known:
            raise InputError(f"{where}: {entry!r} is not known; use {', '.join(sorted(known))}.")
