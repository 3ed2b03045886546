"""Mirror geometry of rail shots on the track line: the ideal path, the bearing it needs, and what a degree is worth.

An ideal cushion is a mirror that stands on the track line, where a ball's centre is when the ball touches the nose.
Reflecting the target through the rails, the last one first, straightens the path: the ball goes straight from its
start to the target's image (the usual unfolding of a billiard path; elementary geometry).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, radians, sin

import numpy as np

from calibration.table import Rail, Table, Vector


@dataclass(frozen=True)
class RailContact:
    """Where a path meets a rail. ``beyond`` is true where no cushion stands (past a corner, or in a pocket's mouth)."""

    rail: Rail
    at_m: Vector
    beyond: bool


@dataclass(frozen=True)
class UnfoldedPath:
    """The ideal path from a start over some rails to a target.

    ``image_m`` is the target's image, ``bearing_rad`` the bearing that reaches it, ``distance_m`` the path's length and
    ``miss_per_rad_m`` how far the miss moves per radian of bearing. ``possible`` says whether the path meets the
    rails in the order asked for, each within its length.
    """

    image_m: Vector
    bearing_rad: float
    distance_m: float
    contacts: tuple[RailContact, ...]
    arrival_bearing_rad: float
    possible: bool

    @property
    def miss_per_rad_m(self) -> float:
        """Signed: each rail turns left into right, so the sign is (-1)^rails (miss positive to the left of travel)."""
        return -self.distance_m if len(self.contacts) % 2 else self.distance_m

    @property
    def miss_per_deg_m(self) -> float:
        return self.miss_per_rad_m * radians(1)

    def margins_deg(self, allowed_left_m: float, allowed_right_m: float) -> tuple[float, float]:
        """Margins to first order: how far the bearing may exceed, and fall short of, the needed one.

        Parameters: how far to the left and to the right of the target, seen along the last leg, the path may pass and
        still make the shot (metres, both positive). Returns (margin_left_deg, margin_right_deg).
        """
        left, right = (
            (allowed_left_m, allowed_right_m) if self.miss_per_rad_m > 0 else (allowed_right_m, allowed_left_m)
        )
        return degrees(left / self.distance_m), degrees(right / self.distance_m)


def mirror(point_m: Vector, rail: Rail, table: Table) -> Vector:
    """Image of a point, shape (2,), in the track line of a rail."""
    axis, level = table.track_coordinate(rail)
    image = np.array(point_m, dtype=float)
    image[axis] = 2 * level - image[axis]
    return image


def mirror_bearing(bearing_rad: float, rail: Rail) -> float:
    """Bearing of a path after an ideal rail."""
    return -bearing_rad if rail in ("left", "right") else np.pi - bearing_rad


def target_image(target_m: Vector, rails: Sequence[Rail], table: Table) -> Vector:
    """Image of the target through a sequence of rails, in the order in which the ball takes them."""
    image = np.array(target_m, dtype=float)
    for rail in reversed(rails):
        image = mirror(image, rail, table)
    return image


def unfold(start_m: Vector, target_m: Vector, rails: Sequence[Rail], table: Table) -> UnfoldedPath:
    """The ideal path from ``start_m`` over ``rails`` to ``target_m`` (both ball centres, shape (2,), metres)."""
    image = target_image(target_m, rails, table)
    offset = image - start_m
    bearing = atan2(offset[1], offset[0])
    contacts, arrival = reflect(start_m, bearing, rails, table)
    possible = all(not c.beyond for c in contacts) and len(contacts) == len(rails)
    return UnfoldedPath(
        image_m=image,
        bearing_rad=bearing % (2 * np.pi),
        distance_m=float(np.hypot(*offset)),
        contacts=contacts,
        arrival_bearing_rad=arrival,
        possible=possible and _in_order(start_m, bearing, rails, table),
    )


def reflect(
    start_m: Vector, bearing_rad: float, rails: Sequence[Rail], table: Table
) -> tuple[tuple[RailContact, ...], float]:
    """Follow a bearing over ideal rails: the contacts and the bearing of the last leg.

    Each rail is met on its track line, produced past its ends if need be (``beyond`` says so).
    """
    point, bearing = np.array(start_m, dtype=float), bearing_rad
    contacts: list[RailContact] = []
    for rail in rails:
        axis, level = table.track_coordinate(rail)
        direction = np.array([cos(bearing), sin(bearing)])
        # A path along a rail never meets it; the division's infinity would spread, so stop there.
        if abs(direction[axis]) < 1e-12:
            break
        point = point + direction * (level - point[axis]) / direction[axis]
        point[axis] = level
        contacts.append(RailContact(rail, point.copy(), not _on_cushion(point, rail, table)))
        bearing = mirror_bearing(bearing, rail)
    return tuple(contacts), bearing % (2 * np.pi)


def _on_cushion(point_m: Vector, rail: Rail, table: Table) -> bool:
    corner = table.corner_mouth_m / np.sqrt(2)
    axis, _ = table.track_coordinate(rail)
    along = point_m[1 - axis]
    length = table.length_m if axis == 1 else table.width_m
    if not corner <= along <= length - corner:
        return False
    return axis == 0 or abs(along - table.length_m / 2) >= table.side_mouth_m / 2


def _in_order(start_m: Vector, bearing_rad: float, rails: Sequence[Rail], table: Table) -> bool:
    """Whether the ball runs forward to each rail in turn (never through another one first)."""
    point, bearing = np.array(start_m, dtype=float), bearing_rad
    for rail in rails:
        axis, level = table.track_coordinate(rail)
        direction = np.array([cos(bearing), sin(bearing)])
        if abs(direction[axis]) < 1e-12 or (level - point[axis]) / direction[axis] < 0:
            return False
        point = point + direction * (level - point[axis]) / direction[axis]
        bearing = mirror_bearing(bearing, rail)
    return True
