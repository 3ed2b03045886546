"""The aim card of a fitted shot, or why there is none.

A row is a line: the one that the fit draws through a quarter sight of the near rail. It is told by that sight and by
the places where it passes the first rail, and is good for every ball that lies on it, among the starts seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import degrees, isfinite, nan, radians
from typing import Any, Literal

import numpy as np

from app.card.card_rows import CardRow, card_rows, longest_hold
from app.card.lines_over_rails import Place, bearings_through, far_counts, near_rail, turn_rad
from app.card.starts_seen import StartsSeen, starts_of, starts_seen, vouching
from app.card.tape import Tape, lay_tape
from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import ShotFit
from app.telling.words import corner_on, counting_corner
from calibration.errors import InputError
from calibration.table import RAILS, Corner, Rail, Table, Vector
from vision.shot import Shot

SCHEMA = 1
# Lines that turn by no more than this over the starts seen are told as one direction where there is no point.
ONE_DIRECTION_RAD = radians(2)


@dataclass(frozen=True)
class CueBall:
    """How the balls of a bank lay when the stroke was told: object balls at ``ball_m`` (n, 2), cue balls at ``cue_m``
    (n, 2); and the cue ball's spreads, each as likely as the next, ``nodes_rad`` (k,)."""

    ball_m: Vector
    cue_m: Vector
    nodes_rad: Vector


@dataclass(frozen=True)
class CardStroke:
    """The spread (sd) of the line of the ball that takes the rails, within ``low_rad`` and ``high_rad`` (95 %, NaN for
    a stated one), and spreads that are each as likely as the next, ``nodes_rad`` (k,). ``player`` is None when only
    stated, and empty where the log has no name. For a bank whose cue ball's lines tell it, it is the one in the middle
    of the attempts, and ``cue`` is what each line's own is made of."""

    player: str | None
    spread_rad: float
    low_rad: float
    high_rad: float
    nodes_rad: Vector
    cue: CueBall | None = None

    def to_json(self) -> dict[str, Any]:
        low, high = (_number(degrees(v), 4) for v in (self.low_rad, self.high_rad))
        return {"player": self.player, "spread_deg": _number(degrees(self.spread_rad), 4), "range_deg": [low, high]}


@dataclass(frozen=True)
class AimCard:
    """``kind``: all lines pass one ``point``, or run in one ``direction`` (``point_m`` and ``tape`` are None then).

    Sights of the ``near`` rail and of the ``first`` one are counted from their ends on the side of ``corner``.
    ``direction_rad`` is the middle of the bearings over the starts seen, ``turn_rad`` from the first to the last.
    ``stroke`` is the one for which the rows tell their chance, None where none is known.
    """

    kind: Literal["point", "direction"]
    shot: Shot
    table: Table
    corner: Corner
    near: Rail
    rows: tuple[CardRow, ...]
    seen: StartsSeen
    point_m: Vector | None
    tape: Tape | None
    direction_rad: float
    turn_rad: float
    fit: ShotFit
    stroke: CardStroke | None = None

    @property
    def first(self) -> Rail:
        return self.shot.rails[0]

    @property
    def near_corner(self) -> Corner:
        return corner_on(self.near, self.corner)

    @property
    def first_corner(self) -> Corner:
        return corner_on(self.first, self.corner)

    def to_json(self) -> dict[str, Any]:
        """Metres, degrees and sights; null for what is not known."""
        tape = self.tape
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "reason": None,
            "shot": self.shot.to_json(),
            "table": {"name": self.table.name, "length_m": self.table.length_m, "width_m": self.table.width_m},
            "used": self.fit.used,
            "attempts": self.fit.attempts,
            "pooled": [entry.to_json() for entry in self.fit.pooled],
            "one_point": self.fit.one_point.verdict,
            "near_rail": {"rail": self.near, "counted_from": self.near_corner},
            "first_rail": {"rail": self.first, "counted_from": self.first_corner},
            "seen": {
                "starts": len(self.seen.start_m),
                "near_sights": _numbers(self.seen.near_sights, 3),
                "along_sights": _numbers(self.seen.along, 3),
                "across_sights": _numbers(self.seen.across, 3),
                "speed_mps": _numbers(self.seen.speed_mps, 3),
                "over_another_rail": self.seen.elsewhere,
                "days": [day.isoformat() for day in self.seen.days],
            },
            "direction_deg": round(degrees(self.direction_rad) % 360.0, 4),
            "turn_deg": round(degrees(self.turn_rad), 4),
            "point_m": None if self.point_m is None else _numbers(self.point_m, 5),
            "tape": None
            if tape is None
            else {
                "rail": tape.rail,
                "corner": tape.corner,
                "sight": round(tape.sight, 4),
                "along_m": round(tape.along_m, 5),
                "mark": tape.mark,
                "from_mark_m": round(tape.from_mark_m, 5),
                "out_m": round(tape.out_m, 5),
            },
            "stroke": None if self.stroke is None else self.stroke.to_json(),
            "harder_sights_per_mps": _number(harder_sights(self), 4),
            "rows": [_row(row) for row in self.rows],
        }


@dataclass(frozen=True)
class NoCard:
    """Why there is no card, as half a sentence; from where an attempt would tell most, where that would help.

    Where one point is not good enough for all starts, ``good_sights`` says over which sights of the ``near`` rail the
    lines come for which it is (None where there are none).
    """

    shot: Shot
    table: Table
    corner: Corner
    why: str
    next_start_m: Vector | None
    fit: ShotFit
    near: Rail | None = None
    good_sights: tuple[float, float] | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "kind": "none",
            "reason": self.why,
            "shot": self.shot.to_json(),
            "used": self.fit.used,
            "attempts": self.fit.attempts,
            "next_start_m": None if self.next_start_m is None else _numbers(self.next_start_m, 3),
        }


def aim_card(
    fit: ShotFit, rows: Sequence[AttemptRow], shot: Shot, table: Table, near: Rail | None = None
) -> AimCard | NoCard:
    """The card of a shot.

    Parameters
    ----------
    fit : of ``rows``, the attempts at the shot.
    near : the near rail; the one over which most lines leave the table when not given.

    Raises InputError when ``near`` is the shot's first rail.
    """
    first, corner, found = shot.rails[0], counting_corner(shot, table), fit.convergence
    if near == first:
        others = ", ".join(rail for rail in RAILS if rail != first)
        raise InputError(f"the near rail cannot be the {first} rail, which the ball meets first; use {others}.")

    def none(why: str) -> NoCard:
        return NoCard(shot, table, corner, why, fit.next_start_m, fit)

    if found.status == "refused":
        return none(found.reason.rstrip("."))
    vouched = vouching(fit, rows)
    starts = starts_of(vouched)
    needed = bearings_through(starts, found.family[None, :], table)[0]
    direction, turn = turn_rad(needed)
    if found.point_m is None and turn > ONE_DIRECTION_RAD:
        return none(
            f"how far off the point lies cannot be told, and the lines turn by {degrees(turn):.0f}° over the starts "
            "seen, too much for one direction"
        )
    near = near or near_rail(starts, needed, first, table)
    seen = starts_seen(vouched, needed, near, corner, table)
    kept = card_rows(fit, seen, shot, table, near, corner, direction if found.point_m is None else None)
    if fit.one_point.verdict == "not enough":
        why = "the lines do not meet in one point for all the starts seen"
        return replace(none(why), next_start_m=None, near=near, good_sights=longest_hold(kept))
    if all(row.state == "beyond" for row in kept):
        return none(f"no quarter sight of the {near} rail lies between the lines of the starts seen")
    return AimCard(
        kind="direction" if found.point_m is None else "point",
        shot=shot,
        table=table,
        corner=corner,
        near=near,
        rows=kept,
        seen=seen,
        point_m=found.point_m,
        tape=None if found.point_m is None else lay_tape(found.point_m, first, corner, table),
        direction_rad=direction,
        turn_rad=turn,
        fit=fit,
    )


def harder_sights(card: AimCard) -> float:
    """How many sights more (or, negative, less) a line of the card's middle must count on the first rail, through the
    sight, for each m/s that the ball is sent off harder; NaN where that is not known, or may be chance (95 %)."""
    slope = card.fit.speed_slope
    if slope is None or not card.rows:
        return nan
    low, high = slope.interval(0.95)
    if low <= 0 <= high:
        return nan
    row = card.rows[len(card.rows) // 2]
    # By a tenth of a m/s either way: a straight line through a place is not straight in its angle.
    turned = row.bearing_rad + 0.1 * slope.value_rad * np.array([[1.0], [-1.0]])
    more, less = far_counts(row.near_m[None, :], turned, card.first, card.corner, card.table, "sight")[:, 0]
    return float(more - less) / 0.2


def _row(row: CardRow) -> dict[str, Any]:
    return {
        "near_sight": row.near_sight,
        "bearing_deg": round(degrees(row.bearing_rad), 4),
        "through_sight": _place(row.through_sight),
        "at_nose": _place(row.at_nose),
        "ball_m": _numbers(row.ball_m, 4),
        "on_cushion": row.on_cushion,
        "state": row.state,
        "make_chance": _number(row.make_chance, 4),
    }


def _place(place: Place) -> dict[str, float | None]:
    return {"sight": _number(place.count, 4), "low": _number(place.low, 4), "high": _number(place.high, 4)}


def _numbers(values: Any, digits: int) -> list[float | None]:
    return [_number(float(value), digits) for value in values]


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) + 0.0 if isfinite(value) else None
