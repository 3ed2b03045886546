"""Marks on the walls in place of a point that lies behind them: one for the line over each sight of the near rail.

A line of aim over a sight meets the wall in one place; a mark there is right for that line, for every ball that lies on
it, and for no other. Together the marks are a scale on the wall.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan

import numpy as np

from app.card.lines_over_rails import bearings_through, sights_of
from app.card.starts_seen import Range
from app.fitting import lines
from app.fitting.convergence import Convergence
from app.room.walls import OnWall, Wall, first_wall, on_wall, run_to
from app.telling.words import corner_on
from calibration.table import Corner, Rail, Table, Vector

# A mark farther off than this is no use to an eye at the table.
FARTHEST_MARK_M = 12.0


@dataclass(frozen=True)
class WallMark:
    """The mark for the line over ``near_sight`` of the near rail. ``at`` is None where the line meets no wall nearby.

    ``left_m`` and ``right_m`` are how far the lines of the point's 95 % region meet the wall beside it, seen by someone
    who looks along the line: NaN where there is no region, infinite where one of them misses the wall's line.
    ``replaces``: the point lies behind the wall, or there is none. ``seen``: among the lines of the starts seen.
    """

    near_sight: float
    near_m: Vector
    bearing_rad: float
    at: OnWall | None
    run_m: float
    left_m: float
    right_m: float
    replaces: bool
    seen: bool

    @property
    def half_width_m(self) -> float:
        """Half the breadth of the 95 % region along the wall."""
        return (self.left_m + self.right_m) / 2


def wall_scale(
    found: Convergence,
    walls: Sequence[Wall],
    near: Rail,
    corner: Corner,
    table: Table,
    near_sights: Range,
    every_sights: float = 1.0,
) -> tuple[WallMark, ...]:
    """The marks for the sights of the near rail, counted from its end on the side of ``corner``.

    ``near_sights``: between which of them the lines of the starts seen passed. Lines that do not lead over the table
    are left out.
    """
    total = sights_of(near)
    counts = np.arange(0.0, total + 1e-9, every_sights)
    from_corner = corner_on(near, corner)
    places = np.array([table.rail_point_m(near, count, from_corner, at="sight") for count in counts])
    bearings = bearings_through(places, found.family[None, :], table)[0]
    members = None if found.region is None else bearings_through(places, found.region, table)
    low, high = near_sights
    axis, _ = table.track_coordinate(near)
    inward = 1.0 if near in ("head", "right") else -1.0
    marks = []
    for k, count in enumerate(counts):
        heading = lines.unit(bearings[k])
        if heading[axis] * inward <= 0:
            continue
        marks.append(
            _mark(
                float(count),
                places[k],
                float(bearings[k]),
                None if members is None else members[:, k],
                found.point_m,
                walls,
                corner,
                table,
                seen=bool(low - 1e-9 <= count <= high + 1e-9),
            )
        )
    return tuple(marks)


def _mark(
    count: float,
    near_m: Vector,
    bearing_rad: float,
    member_rad: Vector | None,
    point_m: Vector | None,
    walls: Sequence[Wall],
    corner: Corner,
    table: Table,
    *,
    seen: bool,
) -> WallMark:
    heading = lines.unit(np.array(bearing_rad))
    met = first_wall(near_m, heading, walls)
    if met is None or met[1] > FARTHEST_MARK_M:
        return WallMark(count, near_m, bearing_rad, None, inf, nan, nan, False, seen)
    wall, run = met
    place = near_m + run * heading
    ahead = inf if point_m is None else float((point_m - near_m) @ heading)
    left = right = nan
    if member_rad is not None:
        to_left = wall.along * np.sign(heading[0] * wall.along[1] - heading[1] * wall.along[0])
        beside = [
            (near_m + r * lines.unit(np.array(b)) - place) @ to_left
            if np.isfinite(r := run_to(near_m, lines.unit(np.array(b)), wall, carried_on=True))
            else np.nan
            for b in member_rad
        ]
        lost = bool(np.isnan(beside).any())
        left, right = (inf, inf) if lost else (max(float(np.max(beside)), 0.0), max(-float(np.min(beside)), 0.0))
    # A point behind the shooter, where the lines spread, lies behind no wall ahead: the marks ahead replace it too.
    replaces = ahead > run or ahead <= 0
    return WallMark(count, near_m, bearing_rad, on_wall(wall, place, corner, table), run, left, right, replaces, seen)
