"""Banks through the cut: what a banked ball's margins leave to the line of the cue ball that sends it.

The object ball leaves along the line of centres (equal balls, no throw), so for each of its lines there is one place
where the cue ball must be when they meet, and one line that leads there: exact, no small angles.
"""

from dataclasses import dataclass

import numpy as np

from calibration.table import Table, Vector


@dataclass(frozen=True)
class CutMargins:
    """The cue ball's line from its place to the object ball's, for banks; all arrays (...), NaN where not known.

    ``bearing_rad`` is the cue ball's needed bearing and ``cut_rad`` the cut angle then (left positive: the object ball
    goes to the left of the cue ball's line). The bearing may exceed the needed one by ``left_rad`` and fall short of it
    by ``right_rad``. ``magnified`` is how many degrees the object ball's line turns for a degree of the cue ball's
    (negative: to the other side).
    """

    bearing_rad: Vector
    cut_rad: Vector
    left_rad: Vector
    right_rad: Vector
    magnified: Vector

    @property
    def best_rad(self) -> Vector:
        return self.bearing_rad + (self.left_rad - self.right_rad) / 2

    @property
    def half_rad(self) -> Vector:
        return (self.left_rad + self.right_rad) / 2


def through_cut(
    cue_m: Vector, ball_m: Vector, needed_rad: Vector, left_rad: Vector, right_rad: Vector, table: Table
) -> CutMargins:
    """The cue ball's margins when an object ball at ``ball_m`` (..., 2) must leave on ``needed_rad`` (...), with room
    ``left_rad`` and ``right_rad``, and the cue ball lies at ``cue_m`` (..., 2), metres.

    NaN where the needed line cannot be had from there (a cut of a right angle or more, or balls that overlap). A margin
    ends at a cut of a right angle.
    """
    away = np.asarray(ball_m, dtype=float) - np.asarray(cue_m, dtype=float)
    distance = np.hypot(away[..., 0], away[..., 1])
    centres = np.arctan2(away[..., 1], away[..., 0])
    reach = 2 * table.ball_radius_m
    with np.errstate(divide="ignore", invalid="ignore"):
        # The thinnest hit: the cue ball's line touches the circle on which its centre lies when the balls meet.
        widest = np.arccos(np.where(distance > reach, reach / distance, np.nan))
    turn = _wrapped(needed_rad - centres)

    def aimed(off_rad: Vector) -> Vector:
        """The cue ball's bearing, from the line of centres at rest, for an object ball that leaves so far off it."""
        bounded = np.clip(off_rad, -widest, widest)
        return np.arctan2(-reach * np.sin(bounded), distance - reach * np.cos(bounded))

    can = np.abs(turn) < widest
    middle = np.where(can, aimed(turn), np.nan)
    # Sent more to the left, the object ball must be struck farther to the right.
    right = middle - aimed(turn + left_rad)
    left = aimed(turn - right_rad) - middle
    fall = distance - reach * np.cos(turn)
    slope = -reach * (np.cos(turn) * fall - reach * np.sin(turn) ** 2) / (fall**2 + (reach * np.sin(turn)) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        magnified = np.where(can, 1 / slope, np.nan)
    return CutMargins((centres + middle) % (2 * np.pi), turn - middle, left, right, magnified)


def _wrapped(angle_rad: Vector) -> Vector:
    wrapped: Vector = (angle_rad + np.pi) % (2 * np.pi) - np.pi
    return wrapped
