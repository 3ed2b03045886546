"""The marks of a room judged for a shot of the log, and its scale of marks on the walls: one answer for all who ask."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine

from app.card.lines_over_rails import near_counts, near_rail
from app.card.starts_seen import starts_of, starts_seen, vouching
from app.margins.over_table import MarginTable, margins_from, place_m, sight_crossings
from app.room.aims import Aim, at_point, needed
from app.room.mark_quality import MarkQuality, mark_quality
from app.room.marks import Marks
from app.room.room_file import Room
from app.room.wall_scale import WallMark, wall_scale
from app.room.walls import Wall, first_wall
from app.store.log_views import list_attempts, list_shots
from app.store.logged import LoggedShot
from app.telling.practice import Practice, practise
from app.telling.rest_of_log import rest_of_log
from app.telling.words import counting_corner
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Corner, Rail, Table, Vector
from vision.shot import Shot

SCHEMA = 1
# A mark fixed to a wall is seen: so much beyond it is the tape's error.
ON_WALL_M = 0.05


@dataclass(frozen=True)
class Starts:
    """Starts (n, 2), metres, in sights ``along`` and ``across`` from the counting corner; ``tries`` at each, 0 where
    none was; ``seen``: among the lines of the starts shot from."""

    start_m: Vector
    along: Vector
    across: Vector
    tries: NDArray[np.int_]
    seen: NDArray[np.bool_]
    margins: MarginTable | None


@dataclass(frozen=True)
class MarksAnswer:
    """``at`` are the starts shot from, one for all within a ball's width, ``over`` those over the table.

    ``judged`` and ``judged_over`` hold the point first, where there is one, then the marks in the room's order.
    """

    practice: Practice
    corner: Corner
    near: Rail
    walls: tuple[Wall, ...]
    at: Starts
    over: Starts
    judged: tuple[MarkQuality, ...]
    judged_over: tuple[MarkQuality, ...]
    hidden: tuple[str, ...]
    scale: tuple[WallMark, ...]

    @property
    def table(self) -> Table:
        return self.practice.table

    def to_json(self) -> dict[str, Any]:
        """Metres, degrees and sights; null for what is not known."""
        found = self.practice.fit.convergence
        return {
            "schema": SCHEMA,
            "shot": self.practice.shot.name,
            "table": {"name": self.table.name, "length_m": self.table.length_m, "width_m": self.table.width_m},
            "counted_from": self.corner,
            "point_m": None if found.point_m is None else [_number(v, 4) for v in found.point_m],
            "walls": [
                {"name": w.name, "from_m": [_number(v, 4) for v in w.begin_m], "to_m": [_number(v, 4) for v in w.end_m]}
                for w in self.walls
            ],
            "marks": [
                {
                    "name": here.aim.name,
                    "place_m": None if here.aim.place_m is None else [_number(v, 4) for v in here.aim.place_m],
                    "hidden_by": hidden or None,
                    "expected_miss_m": _number(mean_miss_m(here, self.at), 5),
                    "seen": _judged(here, self.at),
                    "over_table": _judged(over, self.over),
                }
                for here, over, hidden in zip(self.judged, self.judged_over, self.hidden, strict=True)
            ],
            "near_rail": self.near,
            "scale": [_on_scale(mark) for mark in self.scale],
        }


def marks_of_log(
    engine: Engine, drilled: LoggedShot, room: Room, *, table: Table | None = None, every_sights: float = 1.0
) -> MarksAnswer:
    """Judge the room's marks for a shot of the log.

    Raises InputError when the attempts have no fit yet, with the reason.
    """
    shot, on = drilled.shot, table or drilled.table or STANDARD_TABLES["9ft"]
    marks, walls = room.marks_on(on), room.walls_on(on)
    attempts = list_attempts(engine, shot_name=shot.name)
    practice = practise(shot, on, attempts, marks, rest_of_log(engine, shot.name, on))
    fit, found = practice.fit, practice.fit.convergence
    if found.status == "refused":
        raise InputError(f"the marks cannot be judged for {shot.name!r} yet: {found.reason.rstrip('.')}.")
    corner = counting_corner(shot, on)
    vouched = vouching(fit, practice.rows)
    starts = starts_of(vouched)
    bearings = needed(fit, starts, on)
    near = near_rail(starts, bearings, shot.rails[0], on)
    span = starts_seen(vouched, bearings, near, corner, on).near_sights
    places, tries = merged(starts, 2 * on.ball_radius_m)
    at = _starts(shot, on, corner, places, tries, np.ones(len(places), dtype=bool))
    grid = np.array([place_m(a, b, corner, on) for a, b in sight_crossings(every_sights)])
    passing = near_counts(grid, needed(fit, grid, on), near, corner, on)
    within = (passing >= span[0] - 1e-9) & (passing <= span[1] + 1e-9)
    over = _starts(shot, on, corner, grid, np.zeros(len(grid), dtype=int), within)
    point = at_point(fit)
    aims = [*([point] if point is not None else []), *(Aim(name, np.array(place)) for name, place in marks.items())]
    return MarksAnswer(
        practice=practice,
        corner=corner,
        near=near,
        walls=walls,
        at=at,
        over=over,
        judged=tuple(mark_quality(aim, fit, shot, on, at.start_m, at.seen, at.margins) for aim in aims),
        judged_over=tuple(mark_quality(aim, fit, shot, on, over.start_m, over.seen, over.margins) for aim in aims),
        hidden=tuple(hidden_by(aim.place_m, starts.mean(axis=0), walls) for aim in aims),
        scale=wall_scale(found, walls, near, corner, on, span, every_sights) if walls else (),
    )


def marks_of_all(
    engine: Engine, room: Room, *, table: Table | None = None
) -> tuple[tuple[MarksAnswer, ...], tuple[tuple[str, str], ...]]:
    """Judge the room's marks for every shot of the log, by name; and the shots for which that cannot be done yet, each
    with the reason."""
    answers, refused = [], []
    for drilled in list_shots(engine):
        try:
            answers.append(marks_of_log(engine, drilled, room, table=table))
        except InputError as error:
            refused.append((drilled.shot.name, str(error)))
    return tuple(answers), tuple(refused)


def marks_by_shot(engine: Engine, room: Room, shot: str | None) -> Marks:
    """The room's marks by the table of a shot of the log; by a 9-ft table where none is named, or none was shot on."""
    table = next((one.table for one in list_shots(engine) if one.shot.name == shot and one.table is not None), None)
    return room.marks_on(table or STANDARD_TABLES["9ft"])


def merged(start_m: Vector, within_m: float) -> tuple[Vector, NDArray[np.int_]]:
    """Starts (n, 2) with those nearer than so much to an earlier one counted with it: places (m, 2) and counts (m,)."""
    places: list[Vector] = []
    counts: list[int] = []
    for start in start_m:
        away = [float(np.hypot(*(start - place))) for place in places]
        k = int(np.argmin(away)) if away else -1
        if k >= 0 and away[k] < within_m:
            counts[k] += 1
        else:
            places.append(start)
            counts.append(1)
    return np.array(places).reshape(-1, 2), np.array(counts, dtype=int)


def hidden_by(place_m: Vector | None, from_m: Vector, walls: Sequence[Wall]) -> str:
    """The wall between a place and those who look at it; empty when they see it."""
    if place_m is None:
        return ""
    away = float(np.hypot(*(place_m - from_m)))
    met = first_wall(from_m, (place_m - from_m) / max(away, 1e-9), walls)
    return met[0].name if met is not None and met[1] < away - ON_WALL_M else ""


def mean_miss_m(judged: MarkQuality, starts: Starts) -> float:
    """The miss to expect, the mean over the attempts; NaN where the target's place is not known."""
    known = np.isfinite(judged.expected_miss_m)
    if not known.any():
        return float("nan")
    return float(np.average(judged.expected_miss_m[known], weights=np.maximum(starts.tries[known], 1)))


def _starts(
    shot: Shot, table: Table, corner: Corner, start_m: Vector, tries: NDArray[np.int_], seen: NDArray[np.bool_]
) -> Starts:
    end, side = corner.split("-")
    along, across = (
        np.array([table.diamonds_along(place, rail, corner) for place in start_m])  # type: ignore[arg-type]
        for rail in (side, end)
    )
    return Starts(start_m, along, across, tries, seen, margins_from(shot, table, start_m))


def _judged(judged: MarkQuality, starts: Starts) -> list[dict[str, Any]]:
    return [
        {
            "along_sights": _number(starts.along[k], 3),
            "across_sights": _number(starts.across[k], 3),
            "start_m": [_number(v, 4) for v in starts.start_m[k]],
            "tries": int(starts.tries[k]),
            "seen": bool(starts.seen[k]),
            "off_deg": _number(degrees(judged.off_rad[k]), 4),
            "off_sd_deg": _number(degrees(judged.sd_rad[k]), 4),
            "miss_m": _number(judged.miss_m[k], 5),
            "miss_sd_m": _number(judged.miss_sd_m[k], 5),
            "expected_miss_m": _number(judged.expected_miss_m[k], 5),
            "verdict": {made: verdicts[k] for made, verdicts in judged.verdicts.items()},
        }
        for k in range(len(starts.start_m))
    ]


def _on_scale(mark: WallMark) -> dict[str, Any]:
    at = mark.at
    return {
        "near_sight": mark.near_sight,
        "bearing_deg": _number(degrees(mark.bearing_rad) % 360.0, 4),
        "seen": mark.seen,
        "replaces_point": mark.replaces,
        "wall": None if at is None else at.wall,
        "place_m": None if at is None else [_number(v, 4) for v in at.place_m],
        "measured_from": None if at is None else at.end or None,
        "along_m": None if at is None else _number(at.along_m, 4),
        "level_corner": None if at is None else at.corner,
        "level_m": None if at is None else _number(at.level_m, 4),
        "left_m": _number(mark.left_m, 4),
        "right_m": _number(mark.right_m, 4),
        "half_width_m": _number(mark.half_width_m, 4),
    }


def _number(value: Any, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if isfinite(value) else None
