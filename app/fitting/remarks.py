"""What a reader of a fit should know of its rows, and files whose numbers are in other units.

A wrong unit shows in where the starts lie, or in bearings that no line over the shot's rails could have.
"""

from collections.abc import Mapping, Sequence
from math import degrees, isfinite, pi

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.margins import image_m
from calibration.errors import InputError
from calibration.table import Table, Vector
from vision.shot import Shot

# A ball's centre this far outside the nose lines is on no table.
OFF_TABLE_M = 0.05
OTHER_UNITS_M = {"feet": 0.3048, "inches": 0.0254, "centimetres": 0.01, "millimetres": 0.001}
# Practice reaches over at least so much of a table's length or width.
LEAST_REACH = 0.3
FEWEST_FOR_UNITS = 4
# A player's line is nearer to the ideal one than this; a bearing in another unit is not.
FAR_OFF_RAD = 0.35
# A degree is worth about as much as mirror geometry says; beyond this factor a unit is wrong.
FAR_OFF_FACTOR = 3.0
MOST_NAMED = 6


def off_table(row: AttemptRow, table: Table) -> bool:
    return not (
        -OFF_TABLE_M <= row.start_x_m <= table.length_m + OFF_TABLE_M
        and -OFF_TABLE_M <= row.start_y_m <= table.width_m + OFF_TABLE_M
    )


def check_units(rows: Sequence[AttemptRow], table: Table, shots: Mapping[str, Shot], where: str) -> None:
    """Raises InputError when most starts lie off the table, or most bearings only make sense as radians."""
    off = [row for row in rows if off_table(row, table)]
    if 2 * len(off) > len(rows):
        row = off[0]
        size = f"{table.length_m:g} x {table.width_m:g} m"
        place = f"{where}, row {row.row}: the start ({row.start_x_m:g}, {row.start_y_m:g}) lies off the table ({size})"
        start = np.array([(r.start_x_m, r.start_y_m) for r in rows])
        size_m = np.array([table.length_m, table.width_m])
        for unit, metres in OTHER_UNITS_M.items():
            reach = metres * start.max(axis=0) / size_m
            on_table = (metres * start > -OFF_TABLE_M).all() and (metres * start < size_m + OFF_TABLE_M).all()
            if on_table and reach.max() > LEAST_REACH:
                raise InputError(f"{place}, as most do; these look like {unit}: give metres (1 of them is {metres} m).")
        raise InputError(f"{place}, as most do; give metres from the corner of head and right rail, or --table.")
    for name, shot in shots.items():
        mine = [row for row in rows if row.shot == name]
        image = image_m(shot, table)
        if image is None or len(mine) < FEWEST_FOR_UNITS:
            continue
        given = np.array([row.bearing_rad for row in mine])
        away = image - np.array([(row.start_x_m, row.start_y_m) for row in mine])
        ideal = np.arctan2(away[:, 1], away[:, 0])
        if _typically_off(given, ideal) > FAR_OFF_RAD > _typically_off(np.degrees(given), ideal):
            raise InputError(
                f"{where}, row {mine[0].row}: bearing_deg is {degrees(mine[0].bearing_rad):g}, and those of {name!r} "
                "look like radians; give degrees (1 radian is 57.2958 degrees)."
            )


def remarks(rows: Sequence[AttemptRow], table: Table, shot: Shot | None) -> tuple[str, ...]:
    """Sentences on the rows of one shot: entered twice, perhaps in radians, a degree's worth that cannot be."""
    found = [_twice(rows), _perhaps_radians(rows, shot), _odd_worth(rows, table, shot)]
    return tuple(sentence for sentence in found if sentence)


def _twice(rows: Sequence[AttemptRow]) -> str:
    first: dict[tuple[object, ...], AttemptRow] = {}
    again: list[str] = []
    for row in rows:
        # NaN is not equal to itself; its text is.
        told = (row.start_x_m, row.start_y_m, row.bearing_rad, str(row.miss_m), row.outcome, row.at, row.clip)
        earlier = first.setdefault(told, row)
        if earlier is not row:
            again.append(f"{row.place} (as {earlier.place})")
    if not again:
        return ""
    return f"Entered twice, and counted twice: {_rows(rows, len(again))}{_named(again)}."


def _perhaps_radians(rows: Sequence[AttemptRow], shot: Shot | None) -> str:
    """Where no shot file tells the line that is needed."""
    if shot is not None or len(rows) < FEWEST_FOR_UNITS:
        return ""
    given = [abs(degrees(row.bearing_rad)) for row in rows]
    if max(given) > 2 * pi or max(given) == 0:
        return ""
    return f"All bearings lie within {max(given):.2g} degrees of the long rails: if they are radians, give degrees."


def _odd_worth(rows: Sequence[AttemptRow], table: Table, shot: Shot | None) -> str:
    image = image_m(shot, table)
    if shot is None or image is None:
        return ""
    sign = (-1) ** len(shot.rails)
    stated = [row for row in rows if isfinite(row.miss_per_rad_m)]
    if not stated:
        return ""
    away = image - np.array([(row.start_x_m, row.start_y_m) for row in stated])
    share = np.array([row.miss_per_rad_m for row in stated]) / (sign * np.hypot(away[:, 0], away[:, 1]))
    wrong = ~((share > 1 / FAR_OFF_FACTOR) & (share < FAR_OFF_FACTOR))
    odd = [stated[k].place for k in np.flatnonzero(wrong)]
    if not odd:
        return ""
    rows_named = f"{_rows(stated, len(odd))}{_named(odd)}"
    rails = f"{len(shot.rails)} rail{'s' if len(shot.rails) > 1 else ''}"
    return (
        f"In {rows_named} miss_per_deg_m is far from what the path's length says: over {rails} it is "
        f"{'positive' if sign > 0 else 'negative'}, about the length in metres times 0.0175."
    )


def _typically_off(given: Vector, ideal: Vector) -> float:
    return float(np.median(np.abs(np.angle(np.exp(1j * (given - ideal))))))


def _rows(rows: Sequence[AttemptRow], count: int) -> str:
    """``row `` or ``rows ``; nothing for attempts of the log, whose numbers say what they are."""
    if rows[0].number is not None:
        return ""
    return "rows " if count > 1 else "row "


def _named(entries: Sequence[str]) -> str:
    text = ", ".join(entries[:MOST_NAMED])
    return f"{text} and {len(entries) - MOST_NAMED} more" if len(entries) > MOST_NAMED else text
