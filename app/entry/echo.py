"""An entry told back before it is logged: as coordinates, and in the words that would enter it.

The words are made from the coordinates, not from what was typed, so that a misunderstanding shows.
"""

from dataclasses import dataclass
from math import degrees, isfinite

from app.entry.aim import OPPOSITE
from app.entry.entered import Entered
from app.entry.line_parts import BallAt
from app.entry.vocabulary import UNIT_M
from app.fitting.pooled import speed_word
from app.telling.lengths import length_with_sd
from app.telling.rounding import told, told_with_sd
from app.telling.words import PASSED, arrival_bearing_rad, corner_on, counting_corner, side_of
from calibration.table import Table
from vision.shot import Shot

PARTS_OF_A_BALL = {0.25: "a quarter of a ball", 0.5: "half a ball", 0.75: "three quarters of a ball", 1.0: "a ball"}


@dataclass(frozen=True)
class Echo:
    """``line`` as it was typed, ``words`` as it was understood, ``coordinates`` as it goes into the log."""

    line: str
    words: str
    coordinates: str


def echo(entered: Entered, shot: Shot, table: Table) -> Echo:
    return Echo(entered.line.text, tell_words(entered, shot, table), tell_coordinates(entered, shot, table))


def tell_coordinates(e: Entered, shot: Shot, table: Table) -> str:
    """``start 1.27 m, 0.32 m ± 0.02 m; line 55.7 ± 1.1°, passes sight 3.25 of the left rail; 2.9 ± 1.2 cm long``."""
    x, y = (told(float(v), e.start_sd_m, finest=3) for v in e.start_m)
    sd_m = told(e.start_sd_m, e.start_sd_m, finest=3)
    somewhere = ", somewhere on the line" if e.near_rail is not None else ""
    bearing = told_with_sd(degrees(e.bearing_rad), degrees(e.total_sd_rad), finest=1)
    where = "sight" if e.line.through.at == "sight" else "the nose opposite sight"
    parts = [
        f"start {x} m, {y} m ± {sd_m} m{somewhere}",
        f"line {bearing}°, passes {where} {_count(_through(e, shot, table))} of the {shot.rails[0]} rail",
        _result(e, shot, table),
    ]
    if isfinite(e.speed_mps):
        parts.append(f"{told_with_sd(e.speed_mps, e.speed_sd_mps, finest=1)} m/s")
    return "; ".join(parts)


def tell_words(e: Entered, shot: Shot, table: Table) -> str:
    """A line that would be understood the same: ``start 4 by 1, through 3.25, long half a ball, no english``."""
    at = " at the nose" if e.line.through.at == "nose" else ""
    parts = [
        _start_words(e, shot, table),
        f"through {_count(_through(e, shot, table))}{at}",
        _miss_words(e, shot, table),
    ]
    if isinstance(e.line.speed, str):
        parts.append(str(speed_word(e.speed_mps)))
    elif isfinite(e.speed_mps):
        parts.append(f"{e.speed_mps:.4g} m/s")
    if e.line.english is not None:
        parts.append(_english_words(e.line.english, e.line.tips))
    if "scratch" in e.flags:
        parts.append("scratch")
    if e.line.note:
        parts.append(f"note {e.line.note}")
    return ", ".join(parts)


def _through(e: Entered, shot: Shot, table: Table) -> float:
    rail = shot.rails[0]
    corner = corner_on(rail, counting_corner(shot, table))
    return table.diamonds_of_line(e.start_m, e.bearing_rad, rail, corner, at=e.line.through.at)


def _start_words(e: Entered, shot: Shot, table: Table) -> str:
    corner = counting_corner(shot, table)
    end, side = corner.split("-")
    if isinstance(e.line.start, BallAt):
        along = table.diamonds_along(e.start_m, side, corner)  # type: ignore[arg-type]
        across = table.diamonds_along(e.start_m, end, corner)  # type: ignore[arg-type]
        unit = e.line.start.unit
        if unit == "sight":
            return f"start {_count(along)} by {_count(across)}"
        metres = (along * table.length_m / 8, across * table.width_m / 4)
        return f"start {_count(metres[0] / UNIT_M[unit])} by {_count(metres[1] / UNIT_M[unit])} {unit}"
    rail, at = e.near_rail or OPPOSITE[shot.rails[0]], e.line.start.at
    count = table.diamonds_of_line(e.start_m, e.bearing_rad, rail, corner_on(rail, corner), at=at)
    named = f" on the {rail} rail" if e.line.start.rail is not None else ""
    return f"start {_count(count)}{named}{' at the nose' if at == 'nose' else ''}"


def _miss_words(e: Entered, shot: Shot, table: Table) -> str:
    hit = next((f" {flag.removeprefix('hit_')}" for flag in e.flags if flag in ("hit_thin", "hit_full")), "")
    if hit:
        return f"hit{hit}"
    side = _side(e, shot, table)
    if side is None:
        return e.outcome
    if not isfinite(e.miss_m):
        return f"missed {side}, no idea how far"
    balls = round(abs(e.miss_m) / (2 * table.ball_radius_m), 6)
    amount = PARTS_OF_A_BALL.get(balls, f"{_count(balls)} balls")
    missed = f"{side} {amount}" if side in ("long", "short") else f"{side} by {amount}"
    return missed if e.outcome == "missed" else f"{e.outcome}, {missed}"


def _result(e: Entered, shot: Shot, table: Table) -> str:
    side = _side(e, shot, table)
    if side is None:
        return e.outcome
    where = f"to the {side}" if side in ("left", "right") else side
    how_far = "no idea how far" if not isfinite(e.miss_m) else ""
    if not how_far:
        how_far = length_with_sd(abs(e.miss_m), e.miss_sd_m)
    told_miss = f"{where}, {how_far}" if not isfinite(e.miss_m) else f"{how_far} {where}"
    return told_miss if e.outcome == "missed" else f"{e.outcome}, {told_miss}"


def _side(e: Entered, shot: Shot, table: Table) -> str | None:
    """The side in words, whatever its size; None where none was told."""
    passed = next((PASSED[flag] for flag in e.flags if flag in PASSED), e.miss_m)
    if not isfinite(passed) or passed == 0:
        return None
    return side_of(passed, shot.rails[-1], arrival_bearing_rad(e.attempt(shot, table), shot, table))


def _english_words(english: str, tips: float | None) -> str:
    if tips is not None:
        return f"{_count(tips)} tip{'' if tips == 1 else 's'} {english}"
    return "no english" if english == "none" else f"{english} english"


def _count(value: float) -> str:
    """To what no one could see, without idle zeros."""
    return f"{round(value, 3) + 0.0:g}"
