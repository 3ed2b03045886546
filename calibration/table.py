"""The table's geometry: rails, pockets, sights and the track line, in the table frame.

Table frame (metres): the origin is where the nose lines of the head rail and the right rail meet; x runs to the foot
rail (x = length), y to the left rail (y = width), z up from the cloth. Right and left are those of someone standing at
the head and looking to the foot. Bearings run counter-clockwise from +x, seen from above.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from math import sqrt
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError

INCH_M = 0.0254

Rail = Literal["head", "foot", "left", "right"]
Pocket = Literal["head-left", "head-right", "foot-left", "foot-right", "side-left", "side-right"]
Corner = Literal["head-left", "head-right", "foot-left", "foot-right"]
RAILS: tuple[Rail, ...] = get_args(Rail)
POCKETS: tuple[Pocket, ...] = get_args(Pocket)
CORNERS: tuple[Corner, ...] = get_args(Corner)

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Table:
    """A table as the shot geometry needs it. Lengths in metres, nose to nose.

    Defaults of the small parts come from the WPA's published equipment specification: nose height 62.5 to 64.5 % of
    the ball's diameter (the middle is taken), centre of the sights 3 11/16 in behind the nose, corner mouths 4.5 to
    4.625 in and side mouths 5 to 5.125 in between the jaw points. ``sight_height_m`` has no published value; 42 mm is
    common practice, no source. Mouths of nothing make a table without pockets, whose cushions run from corner to
    corner.
    """

    name: str
    length_m: float
    width_m: float
    ball_radius_m: float = 0.028575
    nose_height_m: float = 0.635 * 2 * 0.028575
    sight_setback_m: float = 3.6875 * INCH_M
    sight_height_m: float = 0.042
    corner_mouth_m: float = 4.5625 * INCH_M
    side_mouth_m: float = 5.0625 * INCH_M

    def __post_init__(self) -> None:
        for field in ("length_m", "width_m", "ball_radius_m", "nose_height_m", "sight_setback_m"):
            if not getattr(self, field) > 0:
                raise InputError(f"table {self.name!r}: {field} is {getattr(self, field)}; it must be above zero.")
        if not self.ball_radius_m <= self.nose_height_m < 2 * self.ball_radius_m:
            raise InputError(
                f"table {self.name!r}: the nose stands {self.nose_height_m * 1000:.1f} mm high; it must lie between "
                f"the ball's centre ({self.ball_radius_m * 1000:.1f} mm) and its top."
            )

    @cached_property
    def track_offset_m(self) -> float:
        """Distance from the nose line to a ball's centre when the ball touches the nose."""
        return sqrt(self.ball_radius_m**2 - (self.nose_height_m - self.ball_radius_m) ** 2)

    @property
    def has_pockets(self) -> bool:
        return self.corner_mouth_m > 0

    @property
    def centre_m(self) -> Vector:
        return np.array([self.length_m / 2, self.width_m / 2])

    @property
    def diamond_m(self) -> float:
        """Spacing of the sights: an eighth of the length (the specification's 12 1/2 in on a 9-ft table)."""
        return self.length_m / 8

    def track_coordinate(self, rail: Rail) -> tuple[int, float]:
        """Axis (0 = x, 1 = y) and value in metres of the track line of ``rail``."""
        o = self.track_offset_m
        return {
            "head": (0, o),
            "foot": (0, self.length_m - o),
            "right": (1, o),
            "left": (1, self.width_m - o),
        }[rail]

    def nose_segment(self, rail: Rail) -> Vector:
        """The nose line's two virtual corners, shape (2, 3), metres, at nose height, counter-clockwise."""
        L, W, h = self.length_m, self.width_m, self.nose_height_m
        return np.array(
            {
                "right": [(0, 0, h), (L, 0, h)],
                "foot": [(L, 0, h), (L, W, h)],
                "left": [(L, W, h), (0, W, h)],
                "head": [(0, W, h), (0, 0, h)],
            }[rail],
            dtype=float,
        )

    def corner_m(self, corner: Corner) -> Vector:
        """Virtual corner of two nose lines, shape (2,)."""
        end, side = corner.split("-")
        return np.array([0.0 if end == "head" else self.length_m, 0.0 if side == "right" else self.width_m])

    def jaw_points_m(self, pocket: Pocket) -> Vector:
        """The two points where the noses end at the pocket's mouth, shape (2, 2)."""
        end, side = pocket.split("-")
        if end == "side":
            y = 0.0 if side == "right" else self.width_m
            half = self.side_mouth_m / 2
            return np.array([[self.length_m / 2 - half, y], [self.length_m / 2 + half, y]])
        corner = self.corner_m(pocket)  # type: ignore[arg-type]
        inward = np.where(corner == 0, 1.0, -1.0) * self.corner_mouth_m / sqrt(2)
        return np.array([corner + [inward[0], 0.0], corner + [0.0, inward[1]]])

    def mouth_m(self, pocket: Pocket) -> Vector:
        """Middle of the pocket's mouth between the jaw points, shape (2,)."""
        return self.jaw_points_m(pocket).mean(axis=0)

    def sights_m(self, rail: Rail) -> Vector:
        """Centres of the sights of a rail, shape (7, 6 or 3, 3), metres, at sight height.

        A long rail has six, the side pocket taking the place of the fourth; without pockets it has seven.
        """
        axis, nose, outward = self._rail_line(rail)
        count = 8 if axis == 1 else 4
        steps = [k for k in range(1, count) if not (axis == 1 and k == 4 and self.has_pockets)]
        along = np.array(steps) * (self.length_m / 8 if axis == 1 else self.width_m / 4)
        out = np.empty((len(steps), 3))
        out[:, 1 - axis] = along
        out[:, axis] = nose + outward * self.sight_setback_m
        out[:, 2] = self.sight_height_m
        return out

    def _rail_line(self, rail: Rail) -> tuple[int, float, int]:
        """Axis across the rail, coordinate of its nose line, and the sign that leads away from the table."""
        return {
            "head": (0, 0.0, -1),
            "foot": (0, self.length_m, 1),
            "right": (1, 0.0, -1),
            "left": (1, self.width_m, 1),
        }[rail]

    def rail_point_m(self, rail: Rail, diamonds: float, corner: Corner, *, at: Literal["sight", "nose"]) -> Vector:
        """The place on a rail that a player names by counting sights from a corner.

        Parameters
        ----------
        rail : the rail counted along; it must end at ``corner``.
        diamonds : count from the corner, in sights (4 on a long rail is the side pocket).
        at : ``"sight"`` for the line of the sights, ``"nose"`` for the nose opposite.

        Returns
        -------
        Point of shape (2,), metres.

        Raises
        ------
        InputError : the rail does not end at the corner.
        """
        axis, nose, outward = self._rail_line(rail)
        start, direction = self._count_from(rail, corner)
        point = np.empty(2)
        point[1 - axis] = start + direction * diamonds * self._spacing_m(rail)
        point[axis] = nose + (outward * self.sight_setback_m if at == "sight" else 0.0)
        return point

    def diamonds_along(self, point_m: Vector, rail: Rail, corner: Corner) -> float:
        """Count, in sights from a corner, of the place on a rail straight across from a point."""
        axis, _, _ = self._rail_line(rail)
        start, direction = self._count_from(rail, corner)
        return float(direction * (point_m[1 - axis] - start) / self._spacing_m(rail))

    def diamonds_of_line(
        self, start_m: Vector, bearing_rad: float, rail: Rail, corner: Corner, *, at: Literal["sight", "nose"]
    ) -> float:
        """Count, in sights from a corner, where a line crosses a rail's sight line or nose line.

        NaN when the line runs along the rail.
        """
        axis, nose, outward = self._rail_line(rail)
        level = nose + (outward * self.sight_setback_m if at == "sight" else 0.0)
        direction = np.array([np.cos(bearing_rad), np.sin(bearing_rad)])
        if abs(direction[axis]) < 1e-12:
            return float("nan")
        crossing = start_m + direction * (level - start_m[axis]) / direction[axis]
        return self.diamonds_along(crossing, rail, corner)

    def _spacing_m(self, rail: Rail) -> float:
        return self.length_m / 8 if rail in ("left", "right") else self.width_m / 4

    def _count_from(self, rail: Rail, corner: Corner) -> tuple[float, int]:
        end, side = corner.split("-")
        if rail not in (end, side):
            raise InputError(f"the {rail} rail does not end at the {corner} corner; count from one of its own corners.")
        if rail in ("left", "right"):
            return (0.0, 1) if end == "head" else (self.length_m, -1)
        return (0.0, 1) if side == "right" else (self.width_m, -1)


STANDARD_TABLES: dict[str, Table] = {
    "9ft": Table("9ft", 100 * INCH_M, 50 * INCH_M),
    "8ft": Table("8ft", 92 * INCH_M, 46 * INCH_M),
    "8ft-home": Table("8ft-home", 88 * INCH_M, 44 * INCH_M),
    "7ft": Table("7ft", 78 * INCH_M, 39 * INCH_M),
    "carom": Table(
        "carom", 2.84, 1.42, ball_radius_m=0.03075, nose_height_m=0.037, corner_mouth_m=0.0, side_mouth_m=0.0
    ),
}


def standard_table(name: str, **changes: float) -> Table:
    """A standard table by name, with any of its measures changed (``ball_radius_m=0.0286``).

    Raises InputError for a name that is not a standard table's.
    """
    try:
        table = STANDARD_TABLES[name]
    except KeyError:
        raise InputError(f"table {name!r} is not known; use one of {', '.join(STANDARD_TABLES)}.") from None
    return replace(table, **changes) if changes else table  # type: ignore[arg-type]
