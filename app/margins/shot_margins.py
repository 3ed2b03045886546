"""Margins of a shot: how far the line may exceed, or fall short of, the needed one and still make it.

The path over the rails is unfolded about their track lines, so that it is straight and the target is an image. A line
that is off by an angle passes the image at distance times its sine, and arrives turned by that angle; which of those
arrivals succeed is a ``Window``. What a line may do is also bounded by the cushions: past their ends are pockets.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan, pi

import numpy as np

from app.margins.pockets import USUAL_JAWS, Flags, Jaws
from app.margins.windows import Window, hit_window, pocket_window, potting_window
from calibration.table import Rail, Table, Vector
from calibration.unfold import target_image
from vision.shot import Made, Shot

HALVINGS = 26
# No line strays farther than this and still counts as the same shot, radians.
FARTHEST_RAD = 0.6


@dataclass(frozen=True)
class Margins:
    """Margins from starts ``start_m`` (..., 2); all others (...), radians and metres, NaN where not known.

    ``needed_rad`` is the bearing that leads through the shot's target point on ideal rails, ``distance_m`` the path's
    length to there, ``possible`` whether it meets cushion at each rail, in order, and not the target ball before. The
    bearing may exceed the needed one by ``left_rad`` and fall short of it by ``right_rad``; one of them is negative
    when the target point itself is no good from there.
    """

    start_m: Vector
    needed_rad: Vector
    left_rad: Vector
    right_rad: Vector
    distance_m: Vector
    possible: Flags

    @property
    def best_rad(self) -> Vector:
        """The best aim: the middle of the margins, not of the mouth."""
        return self.needed_rad + (self.left_rad - self.right_rad) / 2

    @property
    def half_rad(self) -> Vector:
        """Margin to either side of the best aim."""
        return (self.left_rad + self.right_rad) / 2

    @property
    def left_m(self) -> Vector:
        """By how much the path may pass beside the target point when the bearing exceeds the needed one."""
        return self.distance_m * np.sin(self.left_rad)

    @property
    def right_m(self) -> Vector:
        return self.distance_m * np.sin(self.right_rad)


def image_m(shot: Shot | None, table: Table) -> Vector | None:
    """The target's mirror image through the shot's rails, (2,), metres; None when the shot does not say where the
    target is."""
    if shot is None or (shot.target_ball == "any" and shot.target_pocket is None and shot.target_aim is None):
        return None
    return target_image(shot.target_point_m(table), shot.rails, table)


def window_of(shot: Shot, table: Table, jaws: Jaws = USUAL_JAWS, *, rail_first: bool = True) -> Window | None:
    """The last legs that make a shot; None when it does not say where its target ball rests."""
    ball = shot.target_ball if isinstance(shot.target_ball, tuple) else None
    if shot.made == "hit" or shot.target_pocket is None:
        return None if ball is None else hit_window(table, ball, rail_first=rail_first)
    if shot.kind == "bank" or ball is None:
        return pocket_window(table, shot.target_pocket, jaws, rail_first=rail_first)
    return potting_window(table, ball, shot.target_pocket, jaws, rail_first=rail_first)


def margins(
    shot: Shot,
    table: Table,
    start_m: Vector,
    *,
    made: Made | None = None,
    jaws: Jaws = USUAL_JAWS,
    rail_first: bool = True,
) -> Margins | None:
    """Margins of a kicked or banked ball from each start (..., 2), metres.

    ``made`` takes the place of the shot's own, so that ``hit`` and ``pocketed`` can be told side by side for the same
    lines; ``rail_first=False`` leaves out lines that meet a rail beside the target before it. None when the shot's
    target, made so, has no known place.
    """
    image = image_m(shot, table)
    point = None if image is None else shot.target_point_m(table)
    counted = replace(shot, made=made) if made is not None else shot
    if image is None or point is None or (counted.made == "pocketed" and not _can_drop(shot, table)):
        return None
    window = window_of(counted, table, jaws, rail_first=rail_first)
    if window is None:
        return None
    starts = np.asarray(start_m, dtype=float)
    away = image - starts
    distance, needed = np.hypot(away[..., 0], away[..., 1]), np.arctan2(away[..., 1], away[..., 0])
    high, low = _ends(window, point, shot.rails, needed, distance)
    # Each rail turns left into right.
    left, right = (high, -low) if len(shot.rails) % 2 == 0 else (-low, high)
    more, less, possible = _room(starts, needed, shot.rails, table)
    if shot.kind == "kick" and isinstance(shot.target_ball, tuple):
        possible &= ~_ball_in_the_way(starts, needed, shot.rails, np.array(shot.target_ball), table)
    return Margins(
        start_m=starts,
        needed_rad=needed % (2 * pi),
        left_rad=np.minimum(left, more),
        right_rad=np.minimum(right, less),
        distance_m=distance,
        possible=possible,
    )


def _can_drop(shot: Shot, table: Table) -> bool:
    return shot.target_pocket is not None and table.has_pockets


def _ends(
    window: Window, point_m: Vector, rails: Sequence[Rail], needed_rad: Vector, distance_m: Vector
) -> tuple[Vector, Vector]:
    """Greatest and least turn of the last leg that succeed, left positive, radians."""
    arrival = needed_rad
    for rail in rails:
        arrival = -arrival if rail in ("left", "right") else pi - arrival
    middle = np.zeros(np.shape(arrival))
    for _ in range(4):
        low, high = window.at(arrival + middle, point_m)
        towards = np.arcsin(np.clip((low + high) / 2 / distance_m, -1.0, 1.0))
        middle = np.where(np.isfinite(towards), towards, middle)
    # Both ends at once, the greatest turn first.
    good = np.stack([middle, middle])
    bad = np.stack([middle + FARTHEST_RAD, middle - FARTHEST_RAD])
    for _ in range(HALVINGS):
        turn = (good + bad) / 2
        offset = distance_m * np.sin(turn)
        high, low = window.ends_at(arrival + turn, point_m)
        with np.errstate(invalid="ignore"):
            holds = np.stack([offset[0] <= high, offset[1] >= low])
        good, bad = np.where(holds, turn, good), np.where(holds, bad, turn)
    low, high = window.at(arrival + middle, point_m)
    known = np.isfinite(low + high)
    return np.where(known, good[0], nan), np.where(known, good[1], nan)


def _room(start_m: Vector, needed_rad: Vector, rails: Sequence[Rail], table: Table) -> tuple[Vector, Vector, Flags]:
    """How far the bearing may exceed, and fall short of, the needed one before a contact leaves its cushion, infinite
    where a contact lies on none; and whether all lie on one, in order."""
    heading = np.stack([np.cos(needed_rad), np.sin(needed_rad)], axis=-1)
    more, less = np.full(needed_rad.shape, np.inf), np.full(needed_rad.shape, np.inf)
    possible = np.ones(needed_rad.shape, dtype=bool)
    travelled = np.zeros(needed_rad.shape)
    for k, rail in enumerate(rails):
        axis, _ = table.track_coordinate(rail)
        zero, one = _track_image(table, rails, k)
        run = _run_to(table, rails, k, start_m, heading)
        with np.errstate(invalid="ignore"):
            crossing = start_m[..., 1 - axis] + run * heading[..., 1 - axis]
        along = (crossing - zero[1 - axis]) * (one - zero)[1 - axis]
        possible &= np.isfinite(run) & (run >= travelled)
        travelled = np.where(np.isfinite(run), run, np.inf)
        on_any = np.zeros(needed_rad.shape, dtype=bool)
        for begin, end in _cushions(table, rail):
            on = (along >= begin) & (along <= end)
            on_any |= on
            for limit in (begin, end):
                place = zero + (one - zero) * limit
                to_end = place - start_m
                turn = (np.arctan2(to_end[..., 1], to_end[..., 0]) - needed_rad + pi) % (2 * pi) - pi
                more = np.where(on & (turn >= 0), np.minimum(more, turn), more)
                less = np.where(on & (turn <= 0), np.minimum(less, -turn), less)
        possible &= on_any
    return more, less, possible


def _track_image(table: Table, rails: Sequence[Rail], k: int) -> tuple[Vector, Vector]:
    """Images, through the rails before it, of two places on the k-th rail's track line, 0 and 1 m along it."""
    axis, level = table.track_coordinate(rails[k])
    ends = np.zeros((2, 2))
    ends[:, axis] = level
    ends[1, 1 - axis] = 1.0
    zero, one = (target_image(end, rails[:k], table) for end in ends)
    return zero, one


def _run_to(table: Table, rails: Sequence[Rail], k: int, start_m: Vector, heading: Vector) -> Vector:
    """Distance along the unfolded path to the k-th rail; an image of a track line stays parallel to it."""
    axis, _ = table.track_coordinate(rails[k])
    zero, _ = _track_image(table, rails, k)
    with np.errstate(divide="ignore", invalid="ignore"):
        run: Vector = (zero[axis] - start_m[..., axis]) / heading[..., axis]
    return run


def _ball_in_the_way(start_m: Vector, needed_rad: Vector, rails: Sequence[Rail], ball_m: Vector, table: Table) -> Flags:
    """Whether the path runs into the target ball before its last leg."""
    heading = np.stack([np.cos(needed_rad), np.sin(needed_rad)], axis=-1)
    met = np.zeros(needed_rad.shape, dtype=bool)
    begin = np.zeros(needed_rad.shape)
    for k in range(len(rails)):
        end = _run_to(table, rails, k, start_m, heading)
        apart = target_image(ball_m, rails[:k], table) - start_m
        with np.errstate(invalid="ignore"):
            nearest = np.clip(np.sum(apart * heading, axis=-1), begin, end)
            gap = apart - nearest[..., None] * heading
            met |= np.hypot(gap[..., 0], gap[..., 1]) < 2 * table.ball_radius_m
        begin = end
    return met


def _cushions(table: Table, rail: Rail) -> tuple[tuple[float, float], ...]:
    """Where cushion stands along a rail, from and to, metres."""
    corner = table.corner_mouth_m / 2**0.5
    if rail in ("head", "foot"):
        return ((corner, table.width_m - corner),)
    if not table.has_pockets:
        return ((corner, table.length_m - corner),)
    half = table.side_mouth_m / 2
    middle = table.length_m / 2
    return (corner, middle - half), (middle + half, table.length_m - corner)
