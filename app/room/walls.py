"""Walls of the room on the floor plan: where a line of aim meets them, and how a tape finds a place on one."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from app.telling.words import corner_on
from calibration.errors import InputError
from calibration.table import CORNERS, RAILS, Corner, Rail, Table, Vector

# Less than this from a nose, a wall would stand in the rail.
NEAREST_M = 0.15
PARALLEL = 1e-9
# A wall whose neighbour is not known runs on past the table by this, and no farther: there the room ends somewhere.
RUNS_ON_M = 5.0


@dataclass(frozen=True)
class Piece:
    """A straight piece of wall between two places in the table frame, metres."""

    name: str
    from_m: tuple[float, float]
    to_m: tuple[float, float]


@dataclass(frozen=True)
class Wall:
    """A wall from ``begin_m`` to ``end_m``, (2,) each. ``rail`` is the one it runs along, None for a piece.

    ``begin`` and ``end`` name its ends as a person finds them, empty where it runs on for all that is known.
    """

    name: str
    begin_m: Vector
    end_m: Vector
    begin: str
    end: str
    rail: Rail | None = None

    @property
    def along(self) -> Vector:
        way = self.end_m - self.begin_m
        unit: Vector = way / float(np.hypot(*way))
        return unit

    def reach(self, place_m: Vector) -> float:
        """How far along it from its begin a place on it lies, metres."""
        return float((place_m - self.begin_m) @ self.along)


@dataclass(frozen=True)
class OnWall:
    """A place on a wall by tape: ``along_m`` from the end called ``end`` (empty where that is not known), and
    ``level_m`` from where it is level with the noses' corner ``corner`` of the rail it faces (positive: towards the
    rail's other end); None and NaN for a piece that faces no rail."""

    wall: str
    place_m: Vector
    end: str
    along_m: float
    corner: Corner | None
    level_m: float


def walls_by_rails(out_m: dict[Rail, float], table: Table) -> tuple[Wall, ...]:
    """The walls of a room that stands square to the table, by how far they are from the noses, metres.

    Where two of them meet is a corner of the room; where the neighbour is not given a wall runs on.
    """
    low = np.array([-out_m.get("head", RUNS_ON_M), -out_m.get("right", RUNS_ON_M)])
    high = np.array([table.length_m + out_m.get("foot", RUNS_ON_M), table.width_m + out_m.get("left", RUNS_ON_M)])
    walls = []
    for rail in RAILS:
        if rail not in out_m:
            continue
        axis = 0 if rail in ("head", "foot") else 1
        begin, end = low.copy(), high.copy()
        begin[axis] = end[axis] = (low if rail in ("head", "right") else high)[axis]
        names = []
        for neighbour in ("right", "left") if axis == 0 else ("head", "foot"):
            corner = f"{rail}-{neighbour}" if axis == 0 else f"{neighbour}-{rail}"
            names.append(f"the room's {corner} corner" if neighbour in out_m else "")
        walls.append(Wall(f"the wall behind the {rail} rail", begin, end, names[0], names[1], rail))
    return tuple(walls)


def wall_of(piece: Piece, table: Table) -> Wall:
    """Raises InputError for a piece that crosses the table."""
    begin, end = np.array(piece.from_m), np.array(piece.to_m)
    steps = begin + np.linspace(0, 1, 401)[:, None] * (end - begin)
    inside = (steps > -NEAREST_M + 1e-9) & (steps < np.array([table.length_m, table.width_m]) + NEAREST_M - 1e-9)
    if inside.all(axis=1).any():
        raise InputError(f"wall {piece.name!r} would cross the table; look at its places and their unit.")
    return Wall(piece.name, begin, end, f"the beginning of {piece.name}", f"the end of {piece.name}")


def first_wall(start_m: Vector, heading: Vector, walls: Sequence[Wall]) -> tuple[Wall, float] | None:
    """The wall that a line from a place along a unit vector meets first, and how far off; None when it meets none."""
    met = [(run, k) for k, wall in enumerate(walls) if isfinite(run := run_to(start_m, heading, wall))]
    if not met:
        return None
    run, k = min(met)
    return walls[k], run


def run_to(start_m: Vector, heading: Vector, wall: Wall, *, carried_on: bool = False) -> float:
    """How far along a line a wall is met; infinite when it is not. ``carried_on``: past the wall's ends as well."""
    along = wall.along
    across = float(heading[0] * along[1] - heading[1] * along[0])
    if abs(across) < PARALLEL:
        return float("inf")
    apart = wall.begin_m - start_m
    run = float(apart[0] * along[1] - apart[1] * along[0]) / across
    if run <= 0:
        return float("inf")
    reach = wall.reach(start_m + run * heading)
    whole = float(np.hypot(*(wall.end_m - wall.begin_m)))
    return run if carried_on or 0 <= reach <= whole else float("inf")


def on_wall(wall: Wall, place_m: Vector, corner: Corner, table: Table) -> OnWall:
    """A place on a wall by tape, from the nearer of its ends that are known; level with the end of the rail on the side
    of ``corner``, from which sights are counted."""
    reach = wall.reach(place_m)
    whole = float(np.hypot(*(wall.end_m - wall.begin_m)))
    known = [(away, name) for away, name in ((reach, wall.begin), (whole - reach, wall.end)) if name]
    away, name = min(known) if known else (nan, "")
    if wall.rail is None:
        return OnWall(wall.name, place_m, name, away, None, nan)
    from_corner = corner_on(wall.rail, corner)
    other = next(one for one in CORNERS if wall.rail in one.split("-") and one != from_corner)
    zero, far = table.corner_m(from_corner), table.corner_m(other)
    level = float((place_m - zero) @ (far - zero)) / float(np.hypot(*(far - zero)))
    return OnWall(wall.name, place_m, name, away, from_corner, level)
