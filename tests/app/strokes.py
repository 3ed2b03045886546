"""Practices of simulated strokes for the tests: lines round a stated aim with a known spread, misses as rails give."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import nan, radians

import numpy as np

from app.margins.shot_margins import margins
from app.margins.through_cut import through_cut
from app.store.logged import LoggedAttempt, LoggedShot
from calibration.table import Vector
from tests.app.scenario import TABLE, attempt
from vision.reading import Attempt
from vision.shot import Shot

KICK = Shot("kick to the corner", "kick", ("left",), "pocketed", target_pocket="foot-right")
BANK = Shot("bank across the side", "bank", ("left",), "pocketed", target_pocket="side-right")
DAY = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)
PLACES_M = ((0.50, 0.27), (0.74, 0.35), (0.98, 0.25), (1.22, 0.45), (1.45, 0.24))
CUE_M = (1.62, 0.20)
BALLS_M = ((1.50, 0.60), (1.40, 0.75), (1.62, 0.65))
SD_RAD = radians(0.04)
MISS_SD_M = 0.002


def practice(
    shot: Shot,
    rng: np.random.Generator,
    spread_rad: float,
    *,
    each: int = 6,
    offset_rad: float = 0.0,
    rest_rad: float = 0.0,
    turn_rad: float = 0.0,
    per_mps_rad: float = 0.0,
    places_m: Sequence[tuple[float, float]] | None = None,
    aim_rad: Vector | None = None,
    session: int = 1,
    player: str = "A",
) -> list[LoggedAttempt]:
    """``each`` tries from every place: the cue ball's line is off the best by ``offset_rad`` and the stroke's error,
    the line needed moves by ``rest_rad`` from try to try and by ``per_mps_rad`` with the speed; all bearings are turned
    by ``turn_rad`` more than the truth. ``aim_rad`` (one for each place) takes the best line's place.
    """
    out: list[LoggedAttempt] = []
    for p, place in enumerate(places_m or (BALLS_M if shot.kind == "bank" else PLACES_M)):
        for _ in range(each):
            start = np.array(place) + rng.normal(0, 0.003, 2)
            cue = np.array(CUE_M) + rng.normal(0, 0.003, 2) if shot.kind == "bank" else start
            speed = float(rng.normal(2.2, 0.25))
            error = float(rng.normal(offset_rad, spread_rad))
            moved = float(rng.normal(0, rest_rad)) + per_mps_rad * (speed - 2.2)
            aim = None if aim_rad is None else float(aim_rad[p])
            k = len(out)
            tried = stroke(shot, start, cue, error, moved, rng, speed_mps=speed, turn_rad=turn_rad, aim_rad=aim)
            at = DAY + timedelta(days=session, seconds=30 * k)
            number = 1000 * session + k
            out.append(
                LoggedAttempt(
                    number, k, session, shot.name, "clip", f"c{session}", radians(0.03), at, player, tried, TABLE
                )
            )
    return out


def stroke(
    shot: Shot,
    start_m: Vector,
    cue_m: Vector,
    error_rad: float,
    moved_rad: float,
    rng: np.random.Generator,
    *,
    speed_mps: float = 2.2,
    turn_rad: float = 0.0,
    aim_rad: float | None = None,
) -> Attempt:
    """One try as it would be measured; made when the line, less what moved the needed one, is within the margins."""
    found = margins(shot, TABLE, start_m)
    assert found is not None
    needed, left, right = float(found.needed_rad), float(found.left_rad), float(found.right_rad)
    if shot.kind == "bank":
        cut = through_cut(cue_m, start_m, *map(np.asarray, (needed, left, right)), TABLE)
        cue_line = (float(cut.best_rad) if aim_rad is None else aim_rad) + error_rad
        line = object_line(cue_m, start_m, cue_line)
    else:
        cue_line = line = (float(found.best_rad) if aim_rad is None else aim_rad) + error_rad
    off = (line - needed - moved_rad + np.pi) % (2 * np.pi) - np.pi
    worth = -float(found.distance_m) if len(shot.rails) % 2 else float(found.distance_m)
    plain = attempt(start_m, 0.0, shot=shot, speed_mps=speed_mps)
    return replace(
        plain,
        ball="cue" if shot.kind == "kick" else "red",
        bearing_rad=(line + turn_rad + rng.normal(0, SD_RAD)) % (2 * np.pi),
        bearing_sd_rad=SD_RAD,
        cue_start_m=cue_m,
        cue_bearing_rad=cue_line % (2 * np.pi),
        cut_rad=line - cue_line if shot.kind == "bank" else nan,
        miss_m=off * worth + rng.normal(0, MISS_SD_M),
        miss_sd_m=MISS_SD_M,
        miss_per_rad_m=worth,
        outcome="made" if -right <= off <= left else "missed",
        flags=(),
    )


def object_line(cue_m: Vector, ball_m: Vector, cue_line_rad: float) -> float:
    """Bearing of the line of centres when a cue ball on a line meets the ball: by a circle and a straight line."""
    heading = np.array([np.cos(cue_line_rad), np.sin(cue_line_rad)])
    away = ball_m - cue_m
    ahead = float(away @ heading)
    aside = float(heading[0] * away[1] - heading[1] * away[0])
    reach = 2 * TABLE.ball_radius_m
    at = cue_m + heading * (ahead - np.sqrt(reach**2 - aside**2))
    centres = ball_m - at
    return float(np.arctan2(centres[1], centres[0]))


def library(*shots: Shot) -> list[LoggedShot]:
    return [LoggedShot(k, shot, 0, 0, TABLE) for k, shot in enumerate(shots, 1)]
