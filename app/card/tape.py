"""A place off the table as a person lays it out with a tape: from a nose, opposite a sight, straight out."""

from dataclasses import dataclass

import numpy as np

from app.card.lines_over_rails import sights_of
from app.telling.point_view import outside_m, rail_facing
from app.telling.words import corner_on
from calibration.table import CORNERS, Corner, Rail, Table, Vector


@dataclass(frozen=True)
class Tape:
    """``along_m`` from ``corner``, where the lines of two noses meet, along the nose line of ``rail`` (``sight`` is the
    same in sights; negative: away from the rail, past the corner), and from there ``out_m`` square to it (negative:
    towards the table's middle).

    No tape starts where two lines meet inside a pocket: ``mark`` is the nearest sight that is there to be measured
    from, ``from_mark_m`` how far along it is from there (negative: towards the corner).
    """

    rail: Rail
    corner: Corner
    sight: float
    along_m: float
    out_m: float
    mark: int
    from_mark_m: float


def lay_tape(place_m: Vector, first: Rail, corner: Corner, table: Table) -> Tape:
    """From the first rail if the place lies beyond it, else from the rail that it lies farthest beyond; a place on the
    table from the first rail too. Along the rail it is told from the counting corner's end, past the other end from
    there."""
    rail = rail_facing(place_m, table, first) or first
    from_corner = corner_on(rail, corner)
    if table.diamonds_along(place_m, rail, from_corner) > sights_of(rail):
        from_corner = next(other for other in CORNERS if rail in other.split("-") and other != from_corner)
    sight = table.diamonds_along(place_m, rail, from_corner)
    spacing_m = float(np.hypot(*(table.rail_point_m(rail, 1.0, from_corner, at="nose") - table.corner_m(from_corner))))
    counts = [round(table.diamonds_along(at[:2], rail, from_corner)) for at in table.sights_m(rail)]
    # Of two as near, the one by the corner.
    mark = min(counts, key=lambda count: (round(abs(count - sight), 6), count))
    return Tape(
        rail=rail,
        corner=from_corner,
        sight=sight,
        along_m=sight * spacing_m,
        out_m=outside_m(place_m, rail, table),
        mark=mark,
        from_mark_m=(sight - mark) * spacing_m,
    )
