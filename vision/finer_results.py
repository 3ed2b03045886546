"""Finer than made or missed: the jaw that was met, a rail before the target, a second kiss, the hit on the target ball,
and to which side a line that missed grossly set off."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

import numpy as np

from calibration.table import Table, Vector
from calibration.unfold import unfold
from vision.contacts.run import Run
from vision.contacts.second_kiss import second_kiss
from vision.legs import turn_rad
from vision.reading import BallHit, RailHit
from vision.shot import Shot

# A ball touches a jaw's corner with its centre a radius from it, or a little more: jaws are rounded.
JAW_SPARE_M = 0.02
# Farther from the pocket than this, along the rail from the jaw's corner, it is the rail that was met.
NOSE_END_M = 0.008
# Which jaw is the near one is told when one lies this share of the mouth's width before the other on the way in.
JAW_APART = 0.25
# A rail met this close to the middle of the pocket's mouth, and then the pocket: rail first.
BESIDE_POCKET_M = 0.25
# Lower bounds of the fullness of a hit (1: centre to centre) for each word.
FULLNESS = {"hit_full": 0.875, "hit_three_quarters": 0.625, "hit_half": 0.375, "hit_quarter": 0.125, "hit_thin": 0.0}
# It is told by a line that was seen until so shortly before the hit (a rail may have turned the ball since), and where
# the film goes on for so long after it (what looks like a hit may be a rail, a few frames later).
UNSEEN_S, GOES_ON_S = 0.15, 0.2
# The hit is told when the line is known this well, in radii of the ball; to a side, from so little off full on.
SURE_RADII, FULL_RADII = 0.25, 0.2
# A real cushion turns a needed line by a few degrees from the mirror's: what is farther off is off to that side.
GROSS_RAD = np.radians(8.0)


@dataclass(frozen=True)
class Delivered:
    """What the kicked or banked ball did: its name, start (2,), bearing, run; ``leg`` is the index of its leg after the
    last rail named, None when it never got there."""

    name: str
    start_m: Vector
    bearing_rad: float
    run: Run
    leg: int | None


def finer_flags(
    ball: Delivered,
    shot: Shot,
    table: Table,
    target: tuple[str, Vector] | None,
    goal_m: Vector | None,
    others: Mapping[str, Run],
    dropped: Mapping[str, str],
    until_s: float = inf,
) -> list[str]:
    """Flags of one attempt.

    Parameters
    ----------
    target : name and resting place (2,) of the target ball, if there is one.
    goal_m : the point (2,) through which the path should have passed.
    others : runs of the other balls by name.
    dropped : which ball dropped into which pocket.
    until_s : when the film, or what is looked at of it, ends.
    """
    flags = [] if target is None else _hit_on(ball, target[1], target[0], until_s, table)
    if _second_kiss(ball, others, target):
        flags.append("double_kiss")
    if _rail_before(ball, target[0] if target else None, shot, table, dropped):
        flags.append("rail_first")
    if shot.target_pocket is not None:
        kicked_in = shot.kind == "kick" and target is not None
        run = others.get(target[0]) if kicked_in and target is not None else ball.run
        if run is not None:
            flags += _jaws(run, 0 if kicked_in else ball.leg, shot, table)
    if ball.leg is None and goal_m is not None:
        flags += _gross(ball, goal_m, shot, table)
    return flags


def _hit_on(ball: Delivered, place_m: Vector, name: str, until_s: float, table: Table) -> list[str]:
    """On which side, as the ball came, and how fully it hit the target ball."""
    if ball.leg is None:
        return []
    for i in range(ball.leg, len(ball.run.junctions)):
        junction = ball.run.junctions[i]
        if isinstance(junction, BallHit) and name in junction.balls and len(ball.run.legs[i]) >= 2:
            if junction.t_s - ball.run.legs[i].t[-1] > UNSEEN_S or until_s - junction.t_s < GOES_ON_S:
                return []
            offset, sd = ball.run.line_of(i, table).miss(place_m)
            radius = table.ball_radius_m
            if not sd < SURE_RADII * radius:
                return []
            fullness = max(1 - abs(offset) / (2 * radius), 0.0)
            found = [next(flag for flag, least in FULLNESS.items() if fullness >= least)]
            if abs(offset) > FULL_RADII * radius:
                found.append("hit_left" if offset > 0 else "hit_right")
            return found
    return []


def _second_kiss(ball: Delivered, others: Mapping[str, Run], target: tuple[str, Vector] | None) -> bool:
    """Whether the two balls of the shot met again after they had parted."""
    if ball.name != "cue":
        return "cue" in others and second_kiss(others["cue"], ball.run, ball.start_m)
    if target is None or target[0] not in others:
        return False
    hit = any(target[0] in hit.balls for hit in ball.run.ball_hits)
    return hit and second_kiss(ball.run, others[target[0]], target[1])


def _rail_before(ball: Delivered, target: str | None, shot: Shot, table: Table, dropped: Mapping[str, str]) -> bool:
    """Whether a further rail was met on the way to the target ball, or beside the pocket that was then found."""
    if ball.leg is None:
        return False
    rails: list[RailHit] = []
    for junction in ball.run.junctions[ball.leg :]:
        if isinstance(junction, RailHit):
            rails.append(junction)
        elif isinstance(junction, BallHit) and target in junction.balls:
            return bool(rails)
    if shot.target_pocket is None or dropped.get(ball.name) != shot.target_pocket:
        return False
    mouth = table.mouth_m(shot.target_pocket)
    return any(np.hypot(*(hit.at_m - mouth)) < BESIDE_POCKET_M for hit in rails)


def _jaws(run: Run, from_leg: int | None, shot: Shot, table: Table) -> list[str]:
    """Which jaws of the target pocket the ball that should drop there met: the near one, the far one."""
    if from_leg is None or shot.target_pocket is None:
        return []
    jaws = table.jaw_points_m(shot.target_pocket)
    mouth = table.mouth_m(shot.target_pocket)
    # The axis along which each jaw's rail runs.
    axes = (0, 0) if shot.target_pocket.startswith("side") else (0, 1)
    found = []
    # What it meets later it meets on its way back.
    for i in range(from_leg, min(from_leg + 2, len(run.junctions))):
        junction = run.junctions[i]
        before, after = run.legs[i], run.legs[i + 1]
        if isinstance(junction, BallHit) or len(before) < 2:
            continue
        place = junction.at_m if junction is not None else (before.xy[-1] + after.xy[0]) / 2
        distances = np.hypot(*(jaws - place).T)
        if distances.min() > table.ball_radius_m + JAW_SPARE_M:
            continue
        nearest = int(distances.argmin())
        beside = (place - jaws[nearest])[axes[nearest]] * np.sign((jaws[nearest] - mouth)[axes[nearest]])
        if beside > NOSE_END_M:
            continue
        way = run.line_of(i, table).direction
        along = jaws @ way
        width = float(np.hypot(*(jaws[1] - jaws[0])))
        if abs(along[1] - along[0]) > JAW_APART * width:
            found.append("near_jaw" if nearest == along.argmin() else "far_jaw")
    return found


def _gross(ball: Delivered, goal_m: Vector, shot: Shot, table: Table) -> list[str]:
    """To which side of every line that could have made the shot the ball set off, if that is beyond doubt."""
    needed = unfold(ball.start_m, goal_m, shot.rails, table).bearing_rad
    off = turn_rad(needed, ball.bearing_rad)
    if not GROSS_RAD < abs(off) < np.pi / 2:
        return []
    return ["line_left" if off > 0 else "line_right"]
