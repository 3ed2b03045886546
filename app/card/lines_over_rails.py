"""Lines of aim told by two rails: the near one, over which a line is carried back, and the first one that it meets.

A place between the sights can be on the line of the sights ("through the sight") or on the nose ("at the nose
opposite"): a line passes the two at different counts, so both are told.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, isfinite, sin
from typing import Literal

import numpy as np

from app.fitting import lines
from app.telling.point_view import outside_m
from app.telling.words import corner_on
from calibration.table import RAILS, Corner, Rail, Table, Vector

At = Literal["sight", "nose"]
STEPS_A_SIGHT = 4
OPPOSITE: dict[Rail, Rail] = {"left": "right", "right": "left", "head": "foot", "foot": "head"}


@dataclass(frozen=True)
class Place:
    """Where a line passes a rail, counted in sights, and the least and greatest count within the 95 % region: NaN where
    there is no region, infinite where a line of the region never meets the rail."""

    count: float
    low: float
    high: float

    @property
    def within(self) -> float:
        """How far the region's lines pass from the stated place at most, sights."""
        return max(self.high - self.count, self.count - self.low)


def near_rail(start_m: Vector, bearing_rad: Vector, first: Rail, table: Table) -> Rail:
    """The rail over which most lines, carried back from their starts, leave the table: there the player stands.

    ``start_m`` (n, 2), ``bearing_rad`` (n,). The one opposite the first rail when it is as good as any.
    """
    left_by = [_leaves_by(start, bearing + np.pi, table) for start, bearing in zip(start_m, bearing_rad, strict=True)]
    choice = [OPPOSITE[first], *(rail for rail in RAILS if rail not in (first, OPPOSITE[first]))]
    return max(choice, key=left_by.count)


def near_counts(start_m: Vector, bearing_rad: Vector, near: Rail, corner: Corner, table: Table) -> Vector:
    """Where lines carried back from their starts (n, 2) pass the sights of the near rail, in sights, (n,)."""
    from_corner = corner_on(near, corner)
    counts = [
        table.diamonds_of_line(start, float(bearing), near, from_corner, at="sight")
        for start, bearing in zip(start_m, bearing_rad, strict=True)
    ]
    return np.array(counts, dtype=float)


def quarter_sights(low: float, high: float, rail: Rail) -> Vector:
    """The quarter sights of a rail from ``low`` to ``high``, corner and corner pocket included, (m,)."""
    total = sights_of(rail) * STEPS_A_SIGHT
    # 1e-9 keeps a quarter that is met exactly.
    first = max(int(np.ceil(low * STEPS_A_SIGHT - 1e-9)), 0)
    last = min(int(np.floor(high * STEPS_A_SIGHT + 1e-9)), total)
    return np.arange(first, last + 1) / STEPS_A_SIGHT


def sights_of(rail: Rail) -> int:
    """Spaces between the sights of a rail, from corner to corner."""
    return 8 if rail in ("left", "right") else 4


def bearings_through(near_m: Vector, families: Vector, table: Table) -> Vector:
    """Bearings through places (m, 2) of the members ``families`` (k, 2) of the lines' family, radians, (k, m)."""
    return lines.needed_bearings(families, near_m - table.centre_m)


def far_counts(near_m: Vector, bearing_rad: Vector, rail: Rail, corner: Corner, table: Table, at: At) -> Vector:
    """Where lines from places (m, 2) on bearings (k, m) pass a rail, in sights, (k, m); infinite where they run along
    it or away from it."""
    from_corner = corner_on(rail, corner)
    zero, one = (table.rail_point_m(rail, count, from_corner, at=at) for count in (0.0, 1.0))
    along = int(np.argmax(np.abs(one - zero)))
    heading = lines.unit(bearing_rad)
    ahead = zero[1 - along] - near_m[:, 1 - along]
    with np.errstate(divide="ignore", invalid="ignore"):
        run = ahead / heading[..., 1 - along]
        crossing = near_m[:, along] + run * heading[..., along]
    count: Vector = np.where(
        np.isfinite(run) & (run > 0), (crossing - zero[along]) / (one - zero)[along], np.copysign(np.inf, run)
    )
    return count


def far_places(
    near_m: Vector,
    bearing_rad: Vector,
    region: Vector | None,
    rail: Rail,
    corner: Corner,
    table: Table,
    at: At,
) -> list[Place]:
    """Where the lines from places (m, 2) on bearings (m,) pass a rail, with the extremes of the lines that the members
    of a region's outline (r, 2) draw through the same places.

    The bearing through a place has no extreme inside the region, so that its outline is enough.
    """
    count = far_counts(near_m, bearing_rad[None, :], rail, corner, table, at)[0]
    if region is None:
        return [Place(float(c), float("nan"), float("nan")) for c in count]
    members = far_counts(near_m, bearings_through(near_m, region, table), rail, corner, table, at)
    lost = ~np.isfinite(members).all(axis=0)
    low = np.where(lost, -np.inf, np.minimum(members.min(axis=0), count))
    high = np.where(lost, np.inf, np.maximum(members.max(axis=0), count))
    return [Place(float(c), float(a), float(b)) for c, a, b in zip(count, low, high, strict=True)]


def turn_rad(bearing_rad: Sequence[float] | Vector) -> tuple[float, float]:
    """The middle of bearings and how far they turn from the first to the last, radians."""
    angles = np.asarray(bearing_rad, dtype=float)
    mean = np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())
    away = (angles - mean + np.pi) % (2 * np.pi) - np.pi
    return float(mean + (away.max() + away.min()) / 2), float(np.ptp(away))


def _leaves_by(start_m: Vector, bearing_rad: float, table: Table) -> Rail | None:
    """The rail whose nose a ray from a place on the table crosses first."""
    if not (isfinite(bearing_rad) and np.isfinite(start_m).all()):
        return None
    x, y = cos(bearing_rad), sin(bearing_rad)
    across: Rail = "head" if x < 0 else "foot"
    up: Rail = "right" if y < 0 else "left"
    runs = [(-outside_m(start_m, rail, table) / abs(share), rail) for rail, share in ((across, x), (up, y)) if share]
    return min(runs)[1]
