"""From a told result to a miss at the target, its side and its standard deviation."""

from dataclasses import dataclass
from math import cos, nan, sin

import numpy as np

from app.entry.aim import square_to
from app.entry.line_parts import Result
from app.entry.reading_error import miss_sd_m, spacing_m
from app.entry.vocabulary import UNIT_M
from app.telling.words import MOST_SLANTED, side_of
from calibration.errors import InputError
from calibration.table import Table
from vision.shot import Shot

# A contact this near to straight, as a share of the ball's width, is neither thin nor full.
STRAIGHT_SHARE = 0.1


@dataclass(frozen=True)
class Missed:
    """``miss_m`` as everywhere (positive: passed to the left), NaN where not told; ``side`` 1 (left) or -1 where that
    alone is known, else 0."""

    miss_m: float
    miss_sd_m: float
    side: int
    flags: tuple[str, ...]


def miss_of(result: Result, shot: Shot, table: Table, arrival_rad: float) -> Missed:
    """The miss of a ball that comes to the target on ``arrival_rad``.

    Raises InputError, in a sentence, for a side that has no meaning there, or a miss wider than the table.
    """
    if result.hit and shot.made == "pocketed" and result.outcome == "made":
        raise InputError('this shot is made when a ball drops; write "made" or where it missed, not "hit".')
    if result.side is None:
        return Missed(nan, nan, 0, ())
    made = outcome_of(result, shot) == "made"
    if result.side in ("thin", "full") and shot.made == "hit" and made and result.amount is None:
        return Missed(nan, nan, 0, ("hit_thin" if result.side == "thin" else "hit_full",))
    side = _side(result.side, shot, table, arrival_rad)
    if result.amount is None:
        if made:
            return Missed(nan, nan, 0, ())
        return Missed(nan, nan, side, ("passed_left" if side > 0 else "passed_right",))
    unit_m = _unit_m(result, shot, table, arrival_rad)
    if result.amount.value * unit_m > table.width_m:
        raise InputError('the miss is wider than the table; tell it as "long, no idea how far" or check its unit.')
    sd_m = miss_sd_m(result.amount, result.unit, unit_m, table)
    return Missed(side * result.amount.value * unit_m, sd_m, 0, ())


def outcome_of(result: Result, shot: Shot) -> str:
    """``hit thin`` is a made shot where the target is only to be hit."""
    return "made" if result.hit and shot.made == "hit" else result.outcome


def _side(said: str, shot: Shot, table: Table, arrival_rad: float) -> int:
    """1 when the path passed to the left of the target, -1 to the right."""
    if said in ("left", "right"):
        return 1 if said == "left" else -1
    if said in ("thin", "full"):
        return _cut_side(shot, table, arrival_rad) * (-1 if said == "thin" else 1)
    found = side_of(1.0, shot.rails[-1], arrival_rad)
    if found not in ("long", "short"):
        raise InputError(
            "the ball comes square to its last rail there, so it has no long and short; write left or right."
        )
    return 1 if found == said else -1


def _cut_side(shot: Shot, table: Table, arrival_rad: float) -> int:
    """On which side of the path the target ball lies as it is met: 1 left, -1 right."""
    if shot.kind != "kick" or not isinstance(shot.target_ball, tuple) or shot.made != "pocketed":
        raise InputError(
            "thin and full are for a ball that is to be cut into a pocket; write long, short, left or right."
        )
    away = np.array(shot.target_ball) - shot.target_point_m(table)
    aside = cos(arrival_rad) * away[1] - sin(arrival_rad) * away[0]
    if abs(aside) < STRAIGHT_SHARE * 2 * table.ball_radius_m:
        raise InputError("the target ball is met full there, so it has no thin and full side; write left or right.")
    return 1 if aside > 0 else -1


def _unit_m(result: Result, shot: Shot, table: Table, arrival_rad: float) -> float:
    if result.unit == "ball":
        return 2 * table.ball_radius_m
    if result.unit == "sight":
        rail = shot.rails[-1]
        return spacing_m(rail, table) * max(square_to(rail, arrival_rad), MOST_SLANTED)
    return UNIT_M[result.unit]
