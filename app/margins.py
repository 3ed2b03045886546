"""How far a path may pass beside its target and still make the shot, to first order, left and right apart."""

from math import cos, hypot, isfinite, nan, radians, sin

import numpy as np

from calibration.table import Pocket, Table, Vector
from calibration.unfold import unfold
from vision.shot import Shot


def margins_rad(shot: Shot, table: Table, start_m: Vector) -> tuple[float, float]:
    """How far the bearing may exceed, and fall short of, the needed one (margin left, margin right), radians.

    By mirror geometry from ``start_m`` (2,). NaN when the shot does not say where its target rests.
    """
    if shot.target_ball == "any" and shot.target_pocket is None and shot.target_aim is None:
        return nan, nan
    path = unfold(start_m, shot.target_point_m(table), shot.rails, table)
    left_m, right_m = allowed_m(shot, table, path.arrival_bearing_rad)
    left_deg, right_deg = path.margins_deg(left_m, right_m)
    return radians(left_deg), radians(right_deg)


def allowed_m(shot: Shot, table: Table, arrival_rad: float) -> tuple[float, float]:
    """How far to the left and right of the target point, seen along the last leg, a path may pass (metres).

    A ball that is to be hit: two radii to either side. A ball that is to go into a pocket itself: so far that its
    surface clears the jaw points (rubbing a jaw often drops it as well: common practice, no source, and not counted).
    A target ball that is to be pocketed: the pocket's room divided by what an offset turns the ball's line
    (elementary geometry of equal balls, throw left out). NaN where the last leg cannot send it there.
    """
    radius = table.ball_radius_m
    if shot.made == "hit" or shot.target_pocket is None:
        return 2 * radius, 2 * radius
    if shot.kind == "bank" or not isinstance(shot.target_ball, tuple):
        return _pocket_room_m(table, shot.target_pocket, arrival_rad)
    ball = np.array(shot.target_ball)
    run = table.mouth_m(shot.target_pocket) - ball
    distance = float(hypot(run[0], run[1]))
    line_rad = float(np.arctan2(run[1], run[0]))
    full = cos(line_rad - arrival_rad)
    if full <= 0:
        return nan, nan
    left, right = _pocket_room_m(table, shot.target_pocket, line_rad)
    # A path to the left strikes the ball's left side and sends it to the right.
    turned = [2 * radius * full * room / max(distance, room) for room in (right, left)]
    return turned[0], turned[1]


def _pocket_room_m(table: Table, pocket: Pocket, arrival_rad: float) -> tuple[float, float]:
    """Room beside the middle of the mouth for a ball's centre, left and right of a line into the pocket."""
    across = np.array([-sin(arrival_rad), cos(arrival_rad)])
    offsets = (table.jaw_points_m(pocket) - table.mouth_m(pocket)) @ across
    room = float(np.max(offsets)) - table.ball_radius_m, -float(np.min(offsets)) - table.ball_radius_m
    return max(room[0], 0.0), max(room[1], 0.0)


def smaller(left_rad: float, right_rad: float) -> float:
    """The margin that gives out first; the one that is known when only one is."""
    known = [m for m in (left_rad, right_rad) if isfinite(m)]
    return min(known) if known else nan
