"""Which lines of a ball's centre end in a pocket: rails beside it, the rounded jaw points, the facings, the drop.

The ball is a point (its centre) among walls moved inwards by the distance at which a ball touches the nose; a jaw point
becomes an arc of that radius. Every touch is a mirror. A ball that touches a facing or a jaw point may thus still drop,
or come out again. Assumed, and not measured: facings as high as the noses; no speed is lost across a facing and no spin
acts (real rubber takes some of the speed across, which turns a ball further into the pocket, and a hard ball rattles
out more often than this says); the ball drops once its centre is past a straight edge, parallel to the mouth.
"""

from dataclasses import dataclass
from math import cos, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.table import INCH_M, Pocket, Table, Vector

Flags = NDArray[np.bool_]

# A ball that has touched so often without dropping is taken for one that stays out.
MOST_TOUCHES = 16
# A ball at rest against a wall is as good as on it; a hair inside counts as touching.
TOUCHING_M = 1e-9
SUNK_M = 0.004
# Of a pocket's walls so many, the first, are rails.
RAIL_WALLS = 2


@dataclass(frozen=True)
class Jaws:
    """Cut of the jaws: the angle between nose and facing, and how far behind the mouth the slate ends.

    Angles: WPA equipment specification, 142 and 104 degrees (1 more or less). Shelves: the middle of that
    specification's ranges, 1 to 2 1/4 in and 0 to 3/8 in, from memory.
    """

    corner_cut_rad: float = radians(142)
    side_cut_rad: float = radians(104)
    corner_shelf_m: float = 1.625 * INCH_M
    side_shelf_m: float = 0.1875 * INCH_M


USUAL_JAWS = Jaws()


@dataclass(frozen=True)
class _Walls:
    """Straight walls, two rails and two facings: where each begins, the way along and the way inwards (4, 2); the jaw
    points (2, 2); the pocket's way out of the table and how far along it the ball drops."""

    through: Vector
    along: Vector
    inward: Vector
    jaws: Vector
    radius_m: float
    outward: Vector
    drop_m: float


def is_side(pocket: Pocket) -> bool:
    return pocket.startswith("side")


def drops(table: Table, pocket: Pocket, at_m: Vector, heading: Vector, jaws: Jaws = USUAL_JAWS) -> Flags:
    """Whether balls that run from ``at_m`` (..., 2) along the unit vectors ``heading`` (..., 2) drop in ``pocket``.

    Metres in the table frame. Only what stands beside the pocket is there: for a corner pocket its two rails, for a
    side pocket its own rail. A ball that runs in along a rail, or off it, is helped by it as far as a mirror would.
    """
    walls = _walls(table, is_side(pocket), jaws)
    origin, turn = _frame(table, pocket)
    at, way = ((at_m - origin) * turn).reshape(-1, 2), (heading * turn).reshape(-1, 2)
    at = _lifted(at, walls)
    dropped = np.zeros(len(at), dtype=bool)
    running = np.arange(len(at))
    for _ in range(MOST_TOUCHES):
        distance, normal, _ = _next_touch(at, way, walls)
        depth = at @ walls.outward
        speed = way @ walls.outward
        with np.errstate(divide="ignore", invalid="ignore"):
            to_drop = np.where(depth >= walls.drop_m, 0.0, np.where(speed > 0, (walls.drop_m - depth) / speed, np.inf))
        ends = to_drop <= distance
        dropped[running[ends & np.isfinite(to_drop)]] = True
        on = ~ends & np.isfinite(distance)
        if not on.any():
            break
        running, at, way, normal, distance = running[on], at[on], way[on], normal[on], distance[on]
        at = at + way * distance[:, None]
        way = way - 2 * np.sum(way * normal, axis=1, keepdims=True) * normal
    return dropped.reshape(at_m.shape[:-1])


def touches_rail_first(table: Table, pocket: Pocket, at_m: Vector, heading: Vector, jaws: Jaws = USUAL_JAWS) -> Flags:
    """Whether balls, given as for ``drops``, meet a rail beside the pocket before a jaw point, a facing or the drop."""
    walls = _walls(table, is_side(pocket), jaws)
    origin, turn = _frame(table, pocket)
    at, way = ((at_m - origin) * turn).reshape(-1, 2), (heading * turn).reshape(-1, 2)
    distance, _, first = _next_touch(_lifted(at, walls), way, walls)
    found: Flags = np.isfinite(distance) & (first < RAIL_WALLS)
    return found.reshape(at_m.shape[:-1])


def _frame(table: Table, pocket: Pocket) -> tuple[Vector, Vector]:
    """Where a pocket's own axes begin and which way they run: both along its rails, or along and across its rail,
    into the table."""
    end, side = pocket.split("-")
    across = 1.0 if side == "right" else -1.0
    y = 0.0 if side == "right" else table.width_m
    if end == "side":
        return np.array([table.length_m / 2, y]), np.array([1.0, across])
    return np.array([0.0 if end == "head" else table.length_m, y]), np.array([1.0 if end == "head" else -1.0, across])


def _walls(table: Table, side: bool, jaws: Jaws) -> _Walls:
    r = table.track_offset_m
    if side:
        half = table.side_mouth_m / 2
        off = np.pi - jaws.side_cut_rad
        into = np.array([[-cos(off), -sin(off)], [cos(off), -sin(off)]])
        points = np.array([[half, 0.0], [-half, 0.0]])
        rails = np.array([[1.0, 0.0], [-1.0, 0.0]])
        inward = np.array([[0.0, 1.0], [0.0, 1.0]])
        outward, drop = np.array([0.0, -1.0]), jaws.side_shelf_m
    else:
        j = table.corner_mouth_m / sqrt(2)
        off = np.pi - jaws.corner_cut_rad
        into = np.array([[-cos(off), -sin(off)], [-sin(off), -cos(off)]])
        points = np.array([[j, 0.0], [0.0, j]])
        rails = np.array([[1.0, 0.0], [0.0, 1.0]])
        inward = np.array([[0.0, 1.0], [1.0, 0.0]])
        outward = np.array([-1.0, -1.0]) / sqrt(2)
        drop = jaws.corner_shelf_m - table.corner_mouth_m / 2
    # Of a facing's two normals, the one that looks to the other facing.
    facing = np.stack([-into[:, 1], into[:, 0]], axis=1)
    facing *= np.sign(np.sum(facing * (points[::-1] - points), axis=1))[:, None]
    return _Walls(
        through=np.vstack([points + r * inward, points + r * facing]),
        along=np.vstack([rails, into]),
        inward=np.vstack([inward, facing]),
        jaws=points,
        radius_m=r,
        outward=outward,
        drop_m=drop,
    )


def _next_touch(at: Vector, way: Vector, walls: _Walls) -> tuple[Vector, Vector, NDArray[np.intp]]:
    """Distance to the next wall, (n,), infinite when there is none, its inward normal (n, 2) and which it is: the rails
    come first, then facings, then jaw points."""
    closing = way @ walls.inward.T
    clear = at @ walls.inward.T - np.sum(walls.through * walls.inward, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = np.where(closing < -1e-12, np.maximum(clear, 0.0) / -closing, np.inf)
    run = np.where(np.isfinite(straight), straight, 0.0)
    beside = at @ walls.along.T + run * (way @ walls.along.T) - np.sum(walls.through * walls.along, axis=1)
    straight = np.where((beside >= 0) & (clear >= -SUNK_M), straight, np.inf)
    apart = at[:, None, :] - walls.jaws
    toward = np.sum(apart * way[:, None, :], axis=2)
    short = toward**2 - np.sum(apart**2, axis=2) + walls.radius_m**2
    touches = (short > 0) & (toward < -TOUCHING_M)
    round_ = np.where(touches, -toward - np.sqrt(np.maximum(short, 0.0)), np.inf)
    # Deeper within an arc than rounding explains is behind it: there the walls beside it count.
    round_ = np.where(round_ >= -SUNK_M, np.maximum(round_, 0.0), np.inf)
    every = np.hstack([straight, round_])
    first = np.argmin(every, axis=1)
    rows = np.arange(len(at))
    distance: Vector = every[rows, first]
    reach = np.where(np.isfinite(distance), distance, 0.0)
    off_jaw = at + way * reach[:, None] - walls.jaws[np.clip(first - 4, 0, 1)]
    size = np.maximum(np.hypot(off_jaw[:, 0], off_jaw[:, 1]), 1e-12)
    normal = np.where((first >= 4)[:, None], off_jaw / size[:, None], walls.inward[np.minimum(first, 3)])
    return distance, normal, first


def _lifted(at: Vector, walls: _Walls) -> Vector:
    """Places a little behind a rail's track line, as measured places of frozen balls are, put onto it."""
    apart = at[:, None, :] - walls.through[:2]
    clear, beside = np.sum(apart * walls.inward[:2], axis=2), np.sum(apart * walls.along[:2], axis=2)
    behind = np.where((beside > 0) & (clear > -walls.radius_m), np.minimum(clear, 0.0), 0.0)
    lifted: Vector = at - behind @ walls.inward[:2]
    return lifted
