"""How far a path may pass beside its target and still make the shot, to first order, left and right apart."""

from math import nan

import numpy as np

from calibration.table import Pocket, Table, Vector
from calibration.unfold import target_image
from vision.shot import Shot


def image_m(shot: Shot | None, table: Table) -> Vector | None:
    """The target's mirror image through the shot's rails, (2,), metres; None when the shot does not say where the
    target is."""
    if shot is None or (shot.target_ball == "any" and shot.target_pocket is None and shot.target_aim is None):
        return None
    return target_image(shot.target_point_m(table), shot.rails, table)


def margins_rad(shot: Shot, table: Table, start_m: Vector) -> tuple[Vector, Vector]:
    """How far the bearing may exceed, and fall short of, the needed one (margin left, margin right), radians.

    By mirror geometry from each start (..., 2); shapes (...). NaN when the shot does not say where its target rests.
    """
    image = image_m(shot, table)
    if image is None:
        return np.full(start_m.shape[:-1], nan), np.full(start_m.shape[:-1], nan)
    away = image - start_m
    distance = np.hypot(away[..., 0], away[..., 1])
    arrival = np.arctan2(away[..., 1], away[..., 0])
    for rail in shot.rails:
        arrival = -arrival if rail in ("left", "right") else np.pi - arrival
    left_m, right_m = allowed_m(shot, table, arrival)
    # Each rail turns left into right.
    if len(shot.rails) % 2:
        left_m, right_m = right_m, left_m
    return left_m / distance, right_m / distance


def allowed_m(shot: Shot, table: Table, arrival_rad: Vector) -> tuple[Vector, Vector]:
    """How far to the left and right of the target point, seen along the last leg, a path may pass (metres).

    ``arrival_rad`` and the results have one shape. A ball that is to be hit: two radii to either side. A ball that is
    to go into a pocket itself: so far that its surface clears the jaw points (rubbing a jaw often drops it as well:
    common practice, no source, and not counted). A target ball that is to be pocketed: the pocket's room divided by
    what an offset turns the ball's line (elementary geometry of equal balls, throw left out). NaN where the last leg
    cannot send it there.
    """
    radius = table.ball_radius_m
    if shot.made == "hit" or shot.target_pocket is None:
        both = np.full(np.shape(arrival_rad), 2 * radius)
        return both, both
    if shot.kind == "bank" or not isinstance(shot.target_ball, tuple):
        return _pocket_room_m(table, shot.target_pocket, arrival_rad)
    run = table.mouth_m(shot.target_pocket) - np.array(shot.target_ball)
    distance = float(np.hypot(run[0], run[1]))
    line_rad = np.arctan2(run[1], run[0])
    full = np.cos(line_rad - arrival_rad)
    turning = np.where(full > 0, 2 * radius * full, nan)
    left, right = (float(room) for room in _pocket_room_m(table, shot.target_pocket, line_rad))
    # A path to the left strikes the ball's left side and sends it to the right.
    return turning * right / max(distance, right), turning * left / max(distance, left)


def _pocket_room_m(table: Table, pocket: Pocket, arrival_rad: Vector) -> tuple[Vector, Vector]:
    """Room beside the middle of the mouth for a ball's centre, left and right of a line into the pocket."""
    across = np.stack([-np.sin(arrival_rad), np.cos(arrival_rad)], axis=-1)
    offsets = across @ (table.jaw_points_m(pocket) - table.mouth_m(pocket)).T
    left = np.maximum(offsets.max(axis=-1) - table.ball_radius_m, 0.0)
    right = np.maximum(-offsets.min(axis=-1) - table.ball_radius_m, 0.0)
    return left, right


def smaller(left_rad: Vector, right_rad: Vector) -> Vector:
    """The margin that gives out first; the one that is known when only one is."""
    margin: Vector = np.fmin(left_rad, right_rad)
    return margin
