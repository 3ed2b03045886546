"""Which last legs succeed: how far a path may pass beside a target, by the direction it arrives in.

A last leg is a straight line of a ball's centre: the bearing it arrives on, and its offset from a point (positive when
it passes to the left of it). For each bearing the offsets that succeed are scanned, the longest run of them is taken
and its two ends are found by halving. Gaps narrower than a step of the scan (0.5 to 2 mm) are not seen.

A ball may come off a rail beside its target. ``rail_first=False`` leaves those lines out; what is lost then is the help
of the near rail.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import pi

import numpy as np

from app.margins.pockets import USUAL_JAWS, Flags, Jaws, drops, touches_rail_first
from calibration.table import Pocket, Table, Vector

ANGLE_STEP_RAD = pi / 360
OFFSET_STEPS = 161
HALVINGS = 14
KEPT = 64
# A ball enters a pocket from within this of the way straight in.
POCKET_HALF_ANGLE_RAD = 1.92
# Past a rail's end a ball runs on into the mouth, where it may meet a ball that hangs there.
INTO_MOUTH_M = 0.12


@dataclass(frozen=True)
class Window:
    """For rising bearings ``arrival_rad`` (k,) over one turn, the least and greatest offset from ``about_m`` (2,) that
    succeed, (k,); NaN where none does."""

    about_m: Vector
    arrival_rad: Vector
    low_m: Vector
    high_m: Vector

    def at(self, arrival_rad: Vector, point_m: Vector) -> tuple[Vector, Vector]:
        """Least and greatest offset from ``point_m`` (2,) for bearings of any shape, metres."""
        high, low = self.ends_at(np.broadcast_to(arrival_rad, (2, *np.shape(arrival_rad))), point_m)
        return low, high

    def ends_at(self, arrival_rad: Vector, point_m: Vector) -> tuple[Vector, Vector]:
        """The greatest offset from ``point_m`` (2,) for the first, the least for the second of two sets of bearings
        (2, ...), metres."""
        turned = (arrival_rad - self.arrival_rad[0]) % (2 * pi) + self.arrival_rad[0]
        away = self.about_m - point_m
        shift = away[1] * np.cos(arrival_rad) - away[0] * np.sin(arrival_rad) if away.any() else np.zeros(2)
        high = np.interp(turned[0], self.arrival_rad, self.high_m, right=np.nan)
        low = np.interp(turned[1], self.arrival_rad, self.low_m, right=np.nan)
        return high + shift[0], low + shift[1]


@lru_cache(maxsize=KEPT)
def pocket_window(table: Table, pocket: Pocket, jaws: Jaws = USUAL_JAWS, *, rail_first: bool = True) -> Window:
    """Lines on which a ball itself drops in a pocket, about the middle of the mouth; off a rail beside it as well."""
    mouth = table.mouth_m(pocket)
    out = _way_out(table, pocket)
    arrival = np.arange(out - POCKET_HALF_ANGLE_RAD, out + POCKET_HALF_ANGLE_RAD, ANGLE_STEP_RAD)

    def succeed(offset_m: Vector, arrival_rad: Vector) -> Flags:
        at, heading = _line(mouth, offset_m, arrival_rad)
        entry, _ = _crossing(at, heading, table)
        inside = np.isfinite(entry)
        begin = at + heading * np.where(inside, entry, 0.0)[..., None]
        good = drops(table, pocket, begin, heading, jaws) & inside
        return good if rail_first else good & ~touches_rail_first(table, pocket, begin, heading, jaws)

    return _scanned(mouth, arrival, table.corner_mouth_m, succeed)


@lru_cache(maxsize=KEPT)
def hit_window(table: Table, ball_m: tuple[float, float], *, rail_first: bool = True) -> Window:
    """Lines that meet a resting ball anywhere, at once or after one rail beside it, about the ball's centre."""
    ball = np.array(ball_m)

    def succeed(offset_m: Vector, arrival_rad: Vector) -> Flags:
        return _contact(table, ball, offset_m, arrival_rad, rail_first)[1]

    return _scanned(ball, _all_round(), 6 * table.ball_radius_m, succeed)


@lru_cache(maxsize=KEPT)
def potting_window(
    table: Table, ball_m: tuple[float, float], pocket: Pocket, jaws: Jaws = USUAL_JAWS, *, rail_first: bool = True
) -> Window:
    """Lines that meet a resting ball so that it drops in a pocket, about the ball's centre; the ball may be met off a
    rail beside it.

    The ball leaves along the line of centres (equal balls, no throw); which of its lines drop is ``potting_lines``.
    """
    ball = np.array(ball_m)
    low, high = potting_lines(table, ball_m, pocket, jaws)

    def succeed(offset_m: Vector, arrival_rad: Vector) -> Flags:
        line, meets = _contact(table, ball, offset_m, arrival_rad, rail_first)
        return meets & ((line - low) % (2 * pi) <= high - low)

    return _scanned(ball, _all_round(), 6 * table.ball_radius_m, succeed)


@lru_cache(maxsize=KEPT)
def potting_lines(
    table: Table, ball_m: tuple[float, float], pocket: Pocket, jaws: Jaws = USUAL_JAWS
) -> tuple[float, float]:
    """Between which bearings (low, high; low < high) a resting ball must leave to drop, radians; NaN when none does."""
    ball = np.array(ball_m)
    every = _all_round()
    # Nothing drops by running straight away from a pocket: there the turn begins and ends.
    every = every + _way_out(table, pocket) - pi

    def succeed(_: Vector, bearing_rad: Vector) -> Flags:
        heading = np.stack([np.cos(bearing_rad), np.sin(bearing_rad)], axis=-1)
        return drops(table, pocket, np.broadcast_to(ball, heading.shape), heading, jaws)

    run = _longest_run(succeed(every, every)[None])
    if run[0][0] < 0:
        return np.nan, np.nan
    ends = []
    for inner, outward in ((run[0][0], -ANGLE_STEP_RAD), (run[1][0], ANGLE_STEP_RAD)):
        good, bad = every[inner], every[inner] + outward
        for _ in range(HALVINGS):
            middle = (good + bad) / 2
            good, bad = (middle, bad) if succeed(np.zeros(1), np.array([middle]))[0] else (good, middle)
        ends.append(float(good))
    return ends[0], ends[1]


def _all_round() -> Vector:
    return np.arange(0.0, 2 * pi + ANGLE_STEP_RAD / 2, ANGLE_STEP_RAD)


def _way_out(table: Table, pocket: Pocket) -> float:
    jaws = table.jaw_points_m(pocket)
    across = jaws[1] - jaws[0]
    out = np.array([across[1], -across[0]])
    out *= np.sign(out @ (jaws.mean(axis=0) - table.centre_m))
    return float(np.arctan2(out[1], out[0]))


def _line(about_m: Vector, offset_m: Vector, arrival_rad: Vector) -> tuple[Vector, Vector]:
    heading = np.stack([np.cos(arrival_rad), np.sin(arrival_rad)], axis=-1)
    left = np.stack([-heading[..., 1], heading[..., 0]], axis=-1)
    return about_m + offset_m[..., None] * left, heading


def _crossing(at: Vector, heading: Vector, table: Table) -> tuple[Vector, Vector]:
    """Signed distances to where lines enter and leave the rectangle of the track lines; NaN when they miss it."""
    o = table.track_offset_m
    low, high = np.array([o, o]), np.array([table.length_m - o, table.width_m - o])
    with np.errstate(divide="ignore"):
        slope = 1.0 / np.where(np.abs(heading) < 1e-15, 1e-15, heading)
    one, other = (low - at) * slope, (high - at) * slope
    enters = np.minimum(one, other).max(axis=-1)
    leaves = np.maximum(one, other).min(axis=-1)
    crosses = leaves > enters
    return np.where(crosses, enters, np.nan), np.where(crosses, leaves, np.nan)


def _contact(
    table: Table, ball_m: Vector, offset_m: Vector, arrival_rad: Vector, rail_first: bool
) -> tuple[Vector, Flags]:
    """The bearing from the arriving ball's centre to the resting one's as they meet, and whether they do."""
    at, heading = _line(ball_m, offset_m, arrival_rad)
    enters, leaves = _crossing(at, heading, table)
    begin = at + heading * np.nan_to_num(enters)[..., None]
    end = at + heading * np.nan_to_num(leaves)[..., None]
    rubber = _on_cushion(end, table)
    reach = np.where(rubber, leaves - enters, leaves - enters + INTO_MOUTH_M)
    line, direct = _meeting(begin, heading, ball_m, table, reach)
    axis = np.argmin(_gap(end, table), axis=-1)
    back = heading * np.where(np.arange(2) == axis[..., None], -1.0, 1.0)
    off_rail, met = _meeting(end, back, ball_m, table, np.full(reach.shape, 2 * table.width_m))
    later = ~direct & rubber & met & rail_first
    known = np.isfinite(enters)
    return np.where(direct, line, off_rail), (direct | later) & known


def _meeting(begin: Vector, heading: Vector, ball_m: Vector, table: Table, reach_m: Vector) -> tuple[Vector, Flags]:
    apart = begin - ball_m
    toward = np.sum(apart * heading, axis=-1)
    short = toward**2 - np.sum(apart**2, axis=-1) + (2 * table.ball_radius_m) ** 2
    run = np.maximum(-toward - np.sqrt(np.maximum(short, 0.0)), 0.0)
    meets: Flags = (short > 0) & (toward < 0) & (run <= reach_m)
    across = -(apart + run[..., None] * heading)
    bearing: Vector = np.arctan2(across[..., 1], across[..., 0])
    return bearing, meets


def _gap(at: Vector, table: Table) -> Vector:
    o = table.track_offset_m
    far = np.array([table.length_m, table.width_m]) - o
    gap: Vector = np.minimum(np.abs(at - o), np.abs(far - at))
    return gap


def _on_cushion(at: Vector, table: Table) -> Flags:
    """Whether places on the track rectangle lie before rubber, not before a pocket's mouth."""
    corner = table.corner_mouth_m / np.sqrt(2)
    axis = np.argmin(_gap(at, table), axis=-1)
    along = np.where(axis == 1, at[..., 0], at[..., 1])
    length = np.where(axis == 1, table.length_m, table.width_m)
    clear = (along >= corner) & (along <= length - corner)
    beside: Flags = clear & ((axis == 0) | (np.abs(along - table.length_m / 2) >= table.side_mouth_m / 2))
    return beside


def _scanned(
    about_m: Vector, arrival_rad: Vector, reach_m: float, succeed: Callable[[Vector, Vector], Flags]
) -> Window:
    offsets = np.linspace(-reach_m, reach_m, OFFSET_STEPS)
    o, a = np.broadcast_arrays(offsets, arrival_rad[:, None])
    good = succeed(o.ravel(), a.ravel()).reshape(a.shape)
    first, last = _longest_run(good)
    some = first >= 0
    step = offsets[1] - offsets[0]
    ends = []
    for inner, outward in ((first, -step), (last, step)):
        edge = offsets[np.maximum(inner, 0)]
        lies, out = edge.copy(), edge + outward
        for _ in range(HALVINGS):
            middle = (lies + out) / 2
            holds = succeed(middle, arrival_rad)
            lies, out = np.where(holds, middle, lies), np.where(holds, out, middle)
        ends.append(np.where(some, lies, np.nan))
    return Window(about_m, arrival_rad, ends[0], ends[1])


def _longest_run(good: Flags) -> tuple[Vector, Vector]:
    """First and last index of the longest run of true values in each row, (n,); -1 where there is none."""
    n, m = good.shape
    length = np.zeros((n, m), dtype=int)
    count = np.zeros(n, dtype=int)
    for k in range(m):
        count = np.where(good[:, k], count + 1, 0)
        length[:, k] = count
    last = length.argmax(axis=1)
    longest = length.max(axis=1)
    first = np.where(longest > 0, last - longest + 1, -1)
    return first, np.where(longest > 0, last, -1)
