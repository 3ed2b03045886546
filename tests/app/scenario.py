"""Practices made by hand for the tests: attempts over ideal rails with bearing errors that are stated."""

from collections.abc import Sequence
from math import atan2, cos, hypot, nan, radians, sin

import numpy as np

from calibration.table import STANDARD_TABLES, Table, Vector
from calibration.unfold import reflect, unfold
from vision.reading import Attempt, BallHit, CameraFacts, ClipFacts, NotAttempt, Placement, Pocketing, RailHit, Reading
from vision.shot import Shot, Stroke

TABLE = STANDARD_TABLES["9ft"]
KICK = Shot(
    name="one rail to the foot-right corner",
    kind="kick",
    rails=("left",),
    made="pocketed",
    target_ball=(2.464, 0.075),
    target_pocket="foot-right",
    stroke=Stroke(speed="medium"),
)
STARTS_M = ((0.50, 0.27), (0.74, 0.25), (0.98, 0.25), (1.22, 0.25), (1.45, 0.24))
ERRORS_DEG = (0.2, -0.9, 1.4, 3.1, -0.1)
BEARING_SD_RAD = radians(0.04)
MISS_SD_M = 0.003
MADE_WITHIN_M = 0.03


def attempt(
    start_m: Sequence[float],
    error_deg: float,
    *,
    shot: Shot = KICK,
    table: Table = TABLE,
    t_s: float = 3.0,
    speed_mps: float = 2.2,
) -> Attempt:
    """A try that leaves on a line ``error_deg`` to the left of the ideal one."""
    start = np.array(start_m, dtype=float)
    target = shot.target_point_m(table)
    ideal = unfold(start, target, shot.rails, table)
    bearing = ideal.bearing_rad + radians(error_deg)
    contacts, arrival = reflect(start, bearing, shot.rails, table)
    miss_m = _offset_m(contacts[-1].at_m, arrival, target)
    made = abs(miss_m) < MADE_WITHIN_M
    path, hits, t, last = [np.array([t_s, *start])], [], t_s, start
    heading = bearing
    for k, contact in enumerate(contacts):
        t += hypot(*(contact.at_m - last)) / (0.8 * speed_mps)
        onward = contacts[k + 1].at_m - contact.at_m if k + 1 < len(contacts) else None
        out = arrival if onward is None else atan2(onward[1], onward[0])
        hits.append(RailHit(contact.rail, contact.at_m, 0.002, t, 0.8 * speed_mps, 0.65 * speed_mps, heading, out))
        path.append(np.array([t, *contact.at_m]))
        last, heading = contact.at_m, out
    along = np.array([cos(arrival), sin(arrival)])
    end = last + along * float((target - last) @ along)
    t += hypot(*(end - last)) / (0.5 * speed_mps)
    path.append(np.array([t, *end]))
    pocket = shot.target_pocket
    return Attempt(
        t_s=t_s,
        t_sd_s=0.003,
        ball="cue",
        start_m=start,
        start_sd_m=0.001,
        bearing_rad=bearing % (2 * np.pi),
        bearing_sd_rad=BEARING_SD_RAD,
        speed_mps=speed_mps,
        speed_sd_mps=0.03,
        cue_start_m=start,
        cue_bearing_rad=bearing % (2 * np.pi),
        cut_rad=nan,
        contacts=tuple(hits),
        ball_contacts=(BallHit(t, ("cue", "red"), end),) if made else (),
        pocketed=(Pocketing("red", pocket, t + 0.2),) if made and pocket else (),
        outcome="made" if made else "missed",
        miss_m=miss_m,
        miss_sd_m=MISS_SD_M,
        miss_per_rad_m=ideal.miss_per_rad_m,
        flags=(),
        path_m=np.array(path),
        placement=(Placement("red", np.array([0.0011, -0.0004]), 0.0005, "drill"),) if shot.target_ball else (),
    )


def reading(
    attempts: Sequence[Attempt] | None = None,
    *,
    shot: Shot = KICK,
    table: Table = TABLE,
    warnings: tuple[str, ...] = (),
) -> Reading:
    if attempts is None:
        attempts = [
            attempt(start, error, shot=shot, table=table, t_s=3.0 + 7 * k)
            for k, (start, error) in enumerate(zip(STARTS_M, ERRORS_DEG, strict=True))
        ]
    return Reading(
        reader="0.1.0",
        shot=shot,
        table_name=table.name,
        table_length_m=table.length_m,
        table_width_m=table.width_m,
        head="left",
        clip=ClipFacts(frames=1110, frames_lost=0, duration_s=37.0, width=1920, height=1080, complete=True),
        camera=CameraFacts(residual_px=0.4, mm_per_px=1.6, automatic=True, common_bearing_sd_rad=radians(0.03)),
        attempts=tuple(attempts),
        not_attempts=(NotAttempt(1.0, "ball moved by hand"),),
        warnings=warnings,
    )


def _offset_m(on_path_m: Vector, bearing_rad: float, target_m: Vector) -> float:
    """By how much a path passes to the left of a target."""
    left = np.array([-sin(bearing_rad), cos(bearing_rad)])
    return float((on_path_m - target_m) @ left)
