"""A shot's margins told for many starts: what it takes to hit and to pocket side by side, and the near rail's part."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Any

import numpy as np

from app.margins.pockets import Flags
from app.margins.shot_margins import Margins, image_m, margins
from app.margins.through_cut import CutMargins, through_cut
from app.telling.words import corner_on, counting_corner
from calibration.errors import InputError
from calibration.table import Corner, Table, Vector
from vision.shot import Made, Shot

SCHEMA = 1
LEAST_STEP_SIGHTS, MOST_STEP_SIGHTS = 0.25, 2.0
LONG_SIGHTS, SHORT_SIGHTS = 8, 4
MOST_STARTS = 1000


@dataclass(frozen=True)
class MadeMargins:
    """Margins of one way to make the shot; ``direct`` are those without the help of a rail beside the target."""

    made: Made
    whole: Margins
    direct: Margins

    @property
    def rail_first_left_rad(self) -> Vector:
        """What lines that meet a rail beside the target first add on the left, radians; all of it where there is no
        other."""
        return _added(self.whole.left_rad, self.direct.left_rad)

    @property
    def rail_first_right_rad(self) -> Vector:
        return _added(self.whole.right_rad, self.direct.right_rad)

    @property
    def possible(self) -> Flags:
        """Whether the path is possible and some line of it makes the shot."""
        some: Flags = self.whole.possible & np.isfinite(self.whole.half_rad) & (self.whole.half_rad > 0)
        return some


@dataclass(frozen=True)
class MarginTable:
    """Margins from starts ``start_m`` (n, 2), which lie ``along`` and ``across`` (n,) in sights from ``corner``.

    ``ways`` holds the shot's own way to be made first. ``cue_m`` (2,) and ``cut`` tell a bank's cue ball, None where
    its place was not given.
    """

    shot: Shot
    table: Table
    corner: Corner
    start_m: Vector
    along: Vector
    across: Vector
    ways: tuple[MadeMargins, ...]
    cue_m: Vector | None
    cut: CutMargins | None

    @property
    def first_corner(self) -> Corner:
        return corner_on(self.shot.rails[0], self.corner)

    def sight(self, k: int, bearing_rad: float) -> float:
        """Where the line from start k passes the sights of the first rail, counted from ``first_corner``."""
        rail = self.shot.rails[0]
        return self.table.diamonds_of_line(self.start_m[k], bearing_rad, rail, self.first_corner, at="sight")

    def to_json(self) -> dict[str, Any]:
        """Metres, degrees and sights; null for what is not known."""
        return {
            "schema": SCHEMA,
            "shot": self.shot.to_json(),
            "table": {"name": self.table.name, "length_m": self.table.length_m, "width_m": self.table.width_m},
            "counted_from": self.corner,
            "first_rail": {"rail": self.shot.rails[0], "counted_from": self.first_corner},
            "cue_m": None if self.cue_m is None else [_number(v, 4) for v in self.cue_m],
            "starts": [
                {
                    "along_sights": _number(self.along[k], 3),
                    "across_sights": _number(self.across[k], 3),
                    "start_m": [_number(v, 4) for v in self.start_m[k]],
                    "made": {way.made: self._way(way, k) for way in self.ways},
                }
                | ({} if self.cut is None else {"cue_ball": _cue_ball(self.cut, k)})
                for k in range(len(self.start_m))
            ],
        }

    def _way(self, way: MadeMargins, k: int) -> dict[str, Any]:
        m = way.whole
        needed, best = float(m.needed_rad[k]), float(m.best_rad[k])
        return {
            "possible": bool(way.possible[k]),
            "needed_deg": _degrees(needed % (2 * np.pi)),
            "needed_sight": _number(self.sight(k, needed), 4),
            "left_deg": _degrees(m.left_rad[k]),
            "right_deg": _degrees(m.right_rad[k]),
            "left_m": _number(m.left_m[k], 5),
            "right_m": _number(m.right_m[k], 5),
            "best_deg": _degrees(best % (2 * np.pi)),
            "best_sight": _number(self.sight(k, best), 4) if isfinite(best) else None,
            "half_deg": _degrees(m.half_rad[k]),
            "rail_first_left_deg": _degrees(way.rail_first_left_rad[k]),
            "rail_first_right_deg": _degrees(way.rail_first_right_rad[k]),
            "distance_m": _number(m.distance_m[k], 4),
        }


def margin_table(
    shot: Shot,
    table: Table,
    *,
    starts: Sequence[tuple[float, float]] | None = None,
    every_sights: float = 1.0,
    cue: tuple[float, float] | None = None,
) -> MarginTable:
    """Margins from the given starts, or from every crossing of sights over the table.

    Parameters
    ----------
    starts : places along and across, in sights from the corner at the target.
    every_sights : how far apart the starts are where none are given.
    cue : where the cue ball of a bank lies, likewise in sights.

    Raises InputError for a target without a place, starts off the table, and a cue ball for a kick.
    """
    corner = counting_corner(shot, table)
    if image_m(shot, table) is None:
        raise InputError(
            f"shot {shot.name!r} does not say where its target is; give it a target.ball [x, y] or a target.pocket."
        )
    places = sight_crossings(every_sights) if starts is None else np.array(starts, dtype=float).reshape(-1, 2)
    if len(places) > MOST_STARTS:
        raise InputError(f"{len(places)} starts are too many; give at most {MOST_STARTS}.")
    at = np.array([place_m(float(a), float(b), corner, table) for a, b in places]).reshape(-1, 2)
    ways = _ways(shot, table, at)
    if not ways:
        raise InputError(f"shot {shot.name!r} has no margins: its target ball may be any; give it a place [x, y].")
    cue_m = cut = None
    if cue is not None:
        if shot.kind != "bank":
            raise InputError("a kick's cue ball is the ball that starts; its place goes with a bank only.")
        cue_m = place_m(*cue, corner, table)
        own = ways[0].whole
        cut = through_cut(np.broadcast_to(cue_m, at.shape), at, own.needed_rad, own.left_rad, own.right_rad, table)
    return MarginTable(shot, table, corner, at, places[:, 0], places[:, 1], ways, cue_m, cut)


def margins_from(shot: Shot, table: Table, start_m: Vector) -> MarginTable | None:
    """Margins from places (n, 2), metres; None where the shot does not say where its target is."""
    corner = counting_corner(shot, table)
    ways = _ways(shot, table, start_m) if len(start_m) else ()
    if not ways:
        return None
    end, side = corner.split("-")
    along, across = (
        np.array([table.diamonds_along(place, rail, corner) for place in start_m])  # type: ignore[arg-type]
        for rail in (side, end)
    )
    return MarginTable(shot, table, corner, start_m, along, across, ways, None, None)


def parse_place(text: str, what: str = "a start") -> tuple[float, float]:
    """``6,1``: so many sights along and across. Raises InputError."""
    parts = text.split(",")
    try:
        along, across = (float(part) for part in parts)
    except ValueError:
        raise InputError(f"{what} {text!r}: write sights along and across, such as 6,1.") from None
    return along, across


def sight_crossings(every_sights: float) -> Vector:
    """Starts over the table, in sights along and across, (n, 2). Raises InputError for a step out of range."""
    if not LEAST_STEP_SIGHTS <= every_sights <= MOST_STEP_SIGHTS:
        raise InputError(
            f"starts every {every_sights:g} sights: use a step from {LEAST_STEP_SIGHTS:g} to {MOST_STEP_SIGHTS:g}."
        )
    along, across = (np.arange(every_sights, total - 1e-9, every_sights) for total in (LONG_SIGHTS, SHORT_SIGHTS))
    return np.array([(a, b) for a in along for b in across])


def place_m(along: float, across: float, corner: Corner, table: Table) -> Vector:
    """A place on the table, metres. Raises InputError for one where no ball can lie."""
    end, side = corner.split("-")
    x = table.rail_point_m(side, along, corner, at="nose")[0]  # type: ignore[arg-type]
    y = table.rail_point_m(end, across, corner, at="nose")[1]  # type: ignore[arg-type]
    o = table.track_offset_m
    # A millimetre for places that were counted to two digits.
    if not (o - 0.001 <= x <= table.length_m - o + 0.001 and o - 0.001 <= y <= table.width_m - o + 0.001):
        raise InputError(
            f"a ball at {along:g},{across:g} would not lie on the table: it has {LONG_SIGHTS} sights along and "
            f"{SHORT_SIGHTS} across, and a ball keeps {100 * o:.1f} cm from the noses."
        )
    return np.array([float(np.clip(x, o, table.length_m - o)), float(np.clip(y, o, table.width_m - o))])


def _in_turn(own: Made) -> tuple[Made, ...]:
    return ("hit", "pocketed") if own == "hit" else ("pocketed", "hit")


def _ways(shot: Shot, table: Table, start_m: Vector) -> tuple[MadeMargins, ...]:
    found = (_way_made(shot, table, start_m, made) for made in _in_turn(shot.made))
    return tuple(way for way in found if way is not None)


def _way_made(shot: Shot, table: Table, start_m: Vector, made: Made) -> MadeMargins | None:
    if made == "hit" and shot.kind == "bank" and shot.made != "hit":
        return None
    whole = margins(shot, table, start_m, made=made)
    direct = margins(shot, table, start_m, made=made, rail_first=False)
    return None if whole is None or direct is None else MadeMargins(made, whole, direct)


def _added(whole_rad: Vector, direct_rad: Vector) -> Vector:
    added: Vector = np.where(np.isfinite(direct_rad), np.maximum(whole_rad - direct_rad, 0.0), whole_rad)
    return added


def _cue_ball(cut: CutMargins, k: int) -> dict[str, Any]:
    return {
        "needed_deg": _degrees(cut.bearing_rad[k]),
        "cut_deg": _degrees(cut.cut_rad[k]),
        "left_deg": _degrees(cut.left_rad[k]),
        "right_deg": _degrees(cut.right_rad[k]),
        "best_deg": _degrees(cut.best_rad[k]),
        "half_deg": _degrees(cut.half_rad[k]),
        "magnified": _number(cut.magnified[k], 2),
    }


def _degrees(value_rad: Any) -> float | None:
    return _number(degrees(float(value_rad)), 4)


def _number(value: Any, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if isfinite(value) else None
