"""An attempt in a player's words.

Long and short. On the leg after the last rail named, the ball still travels along that rail as well as away from it.
It arrives *long* when it passes the target on the side to which it travels along the rail (it came too far), *short* on
the side from which it comes (not far enough). The side of the rail is taken from the ideal path to the target, so that
the word does not depend on the error it names. A path that meets the rail almost square has no long and no short; it
passes to the left or to the right as the ball travels.

A miss is told in ball-widths (the offset square to the path, in diameters) and in sights (the same offset measured
along the last rail, in that rail's own spacing), as a person would see it against the rail.
"""

from dataclasses import dataclass
from math import cos, isfinite, nan, radians, sin
from typing import Literal

import numpy as np

from app.fitting.pooled import speed_word
from app.telling.placement_words import tell_placement
from app.telling.rounding import UNKNOWN, told
from calibration.errors import InputError
from calibration.table import CORNERS, Corner, Rail, Table, Vector
from calibration.unfold import reflect, unfold
from vision.flags import FLAGS
from vision.reading import Attempt
from vision.shot import Shot

Side = Literal["long", "short", "left", "right", "on line", "not known"]

# Closer to square than this the ball hardly travels along the rail: 3 degrees are 5 cm on a metre.
SQUARE_RAD = radians(3)
# Flags that tell on which side of its target a ball passed, where that is all that is known of the miss.
PASSED = {"passed_left": 1.0, "passed_right": -1.0}
# A miss below this is told as on line: no one could see it.
SEEN_M = 0.002
# Sine of the flattest angle to a rail at which a miss along it still says something.
MOST_SLANTED = 0.05


@dataclass(frozen=True)
class AttemptWords:
    """Short texts for one attempt; a dash where nothing is known."""

    start: str
    line: str
    speed: str
    outcome: str
    side: Side
    miss: str
    miss_sights: str
    remarks: tuple[str, ...]


def tell_attempt(attempt: Attempt, shot: Shot, table: Table) -> AttemptWords:
    return AttemptWords(
        start=tell_start(attempt, shot, table),
        line=tell_line(attempt, shot, table),
        speed=tell_speed(attempt.speed_mps, attempt.speed_sd_mps),
        outcome=attempt.outcome,
        side=miss_side(attempt, shot, table),
        miss=tell_miss(attempt, shot, table),
        miss_sights=tell_miss_sights(attempt, shot, table),
        remarks=(
            *(FLAGS.get(flag, flag.replace("_", " ")) for flag in attempt.flags if flag not in PASSED),
            *tell_placement(attempt),
        ),
    )


def counting_corner(shot: Shot, table: Table) -> Corner:
    """The corner from which sights are counted: the target's own, else the one nearest to it."""
    if shot.target_pocket in CORNERS:
        return shot.target_pocket
    try:
        target = shot.target_point_m(table)
    except InputError:
        return "foot-right"
    return min(CORNERS, key=lambda corner: float(np.hypot(*(table.corner_m(corner) - target))))


def corner_on(rail: Rail, corner: Corner) -> Corner:
    """The end of ``rail`` on the same side of the table as ``corner``."""
    end, side = corner.split("-")
    return f"{end}-{rail}" if rail in ("left", "right") else f"{rail}-{side}"  # type: ignore[return-value]


def tell_start(attempt: Attempt, shot: Shot, table: Table) -> str:
    """Where the ball started, in sights along and across from the counting corner: ``6.4 along, 0.9 across``."""
    if not np.isfinite(attempt.start_m).all():
        return UNKNOWN
    corner = counting_corner(shot, table)
    end, side = corner.split("-")
    sd = attempt.start_sd_m / table.diamond_m
    along = table.diamonds_along(attempt.start_m, side, corner)  # type: ignore[arg-type]
    across = table.diamonds_along(attempt.start_m, end, corner)  # type: ignore[arg-type]
    return f"{told(along, sd, finest=2)} along, {told(across, sd, finest=2)} across"


def tell_line(attempt: Attempt, shot: Shot, table: Table) -> str:
    """Where the line it left on passes the sights of the first rail: ``3.62 at the left rail's sights``."""
    rail = shot.rails[0]
    corner = corner_on(rail, counting_corner(shot, table))

    def crossing(bearing_rad: float) -> float:
        return table.diamonds_of_line(attempt.start_m, bearing_rad, rail, corner, at="sight")

    value = crossing(attempt.bearing_rad)
    if not isfinite(value):
        return UNKNOWN
    sd = abs(crossing(attempt.bearing_rad + attempt.bearing_sd_rad) - value)
    return f"{told(value, sd, finest=2)} at the {rail} rail's sights"


def tell_speed(speed_mps: float, sd_mps: float) -> str:
    """``medium, 2.31 m/s``."""
    if not isfinite(speed_mps) or speed_mps <= 0:
        return UNKNOWN
    return f"{speed_word(speed_mps)}, {told(speed_mps, sd_mps, finest=2)} m/s"


def arrival_bearing_rad(attempt: Attempt, shot: Shot, table: Table) -> float:
    """Bearing of the ideal last leg to the target; else of the leg measured after the last rail; else of the last one
    that its line leads to on ideal rails; NaN for want of a line."""
    if np.isfinite(attempt.start_m).all():
        try:
            return unfold(attempt.start_m, shot.target_point_m(table), shot.rails, table).arrival_bearing_rad
        except InputError:
            pass
    if len(attempt.contacts) >= len(shot.rails):
        return attempt.contacts[len(shot.rails) - 1].bearing_out_rad
    if np.isfinite(attempt.start_m).all() and isfinite(attempt.bearing_rad):
        return reflect(attempt.start_m, attempt.bearing_rad, shot.rails, table)[1]
    return nan


def miss_side(attempt: Attempt, shot: Shot, table: Table) -> Side:
    if not isfinite(attempt.miss_m):
        passed = next((PASSED[flag] for flag in attempt.flags if flag in PASSED), None)
        if passed is None:
            return "not known"
        return side_of(passed, shot.rails[-1], arrival_bearing_rad(attempt, shot, table))
    seen_m = max(SEEN_M, attempt.miss_sd_m if isfinite(attempt.miss_sd_m) else 0.0)
    if abs(attempt.miss_m) < seen_m:
        return "on line"
    return side_of(attempt.miss_m, shot.rails[-1], arrival_bearing_rad(attempt, shot, table))


def side_of(miss_m: float, rail: Rail, arrival_rad: float) -> Side:
    """Long or short for a miss (positive: the path passes to the left of the target) after ``rail``.

    With the travel along the rail t and the travel away from it p > 0, the path's left normal leans towards t exactly
    when turning left from the travel leads along t; so the sign of (miss times normal) . t decides.
    """
    along = _along(rail, arrival_rad)
    if along is None:
        return "left" if miss_m > 0 else "right"
    normal = np.array([-sin(arrival_rad), cos(arrival_rad)])
    return "long" if miss_m * float(normal @ along) > 0 else "short"


def tell_miss(attempt: Attempt, shot: Shot, table: Table) -> str:
    """``long by 0.4 ball-widths``."""
    side = miss_side(attempt, shot, table)
    if side == "not known":
        return UNKNOWN
    if side == "on line":
        return "on line"
    where = f"to the {side}" if side in ("left", "right") else side
    if not isfinite(attempt.miss_m):
        return f"{where}, no idea how far"
    width_m = 2 * table.ball_radius_m
    widths = told(abs(attempt.miss_m) / width_m, attempt.miss_sd_m / width_m, finest=1)
    if float(widths) == 0:
        # So near that it cannot be told on which side.
        return "on line"
    return f"{where} by {widths} ball-width{'' if widths == '1' else 's'}"


def tell_miss_sights(attempt: Attempt, shot: Shot, table: Table) -> str:
    """The same miss along the last rail: ``0.12 sights``."""
    arrival = arrival_bearing_rad(attempt, shot, table)
    if miss_side(attempt, shot, table) in ("not known", "on line") or not isfinite(arrival + attempt.miss_m):
        return UNKNOWN
    rail = shot.rails[-1]
    _, inward = _axes(rail)
    square = abs(float(np.array([cos(arrival), sin(arrival)]) @ inward))
    spacing_m = (table.length_m / 8 if rail in ("left", "right") else table.width_m / 4) * max(square, MOST_SLANTED)
    return f"{told(abs(attempt.miss_m) / spacing_m, attempt.miss_sd_m / spacing_m, finest=2)} sights"


def _along(rail: Rail, arrival_rad: float) -> Vector | None:
    """Unit vector along the rail in the ball's sense of travel; None when the path is square to the rail."""
    if not isfinite(arrival_rad):
        return None
    tangent, _ = _axes(rail)
    share = float(tangent @ np.array([cos(arrival_rad), sin(arrival_rad)]))
    return None if abs(share) < sin(SQUARE_RAD) else tangent * np.sign(share)


def _axes(rail: Rail) -> tuple[Vector, Vector]:
    """Unit vectors along a rail and into the table."""
    inward = {"head": (1.0, 0.0), "foot": (-1.0, 0.0), "right": (0.0, 1.0), "left": (0.0, -1.0)}[rail]
    return np.array([abs(inward[1]), abs(inward[0])]), np.array(inward)
