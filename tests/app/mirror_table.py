"""A table of mirrors, for checks: discs among nose and facing segments, one at a time, with exact reflections.

Written apart from the program's geometry: noses and facings are plain segments, a disc of the track offset's radius
runs until it touches one of them (side or end), another ball, or falls past a slate's edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, inf, pi, radians, sin, sqrt

from calibration.table import Pocket, Table

Pair = tuple[float, float]
CORNER_CUT_RAD, SIDE_CUT_RAD = radians(142), radians(104)
CORNER_SHELF_M, SIDE_SHELF_M = 0.041275, 0.0047625
MOST_EVENTS = 40


@dataclass(frozen=True)
class Run:
    """What happened to a ball: names of the rails touched in order (a jaw counts as ``jaw``), the pocket it dropped
    in, the heading on which it met the other ball and the line of centres then."""

    touched: tuple[str, ...]
    pocket: Pocket | None = None
    centres: Pair | None = None


@dataclass(frozen=True)
class MirrorTable:
    segments: tuple[tuple[Pair, Pair, str], ...]
    drops: tuple[tuple[Pocket, Pair, Pair, float], ...]
    radius_m: float
    ball_m: float


def build(table: Table) -> MirrorTable:
    L, W, long = table.length_m, table.width_m, 0.3
    j, s = table.corner_mouth_m / sqrt(2), table.side_mouth_m / 2
    noses = [
        ((j, 0.0), (L / 2 - s, 0.0), "right"),
        ((L / 2 + s, 0.0), (L - j, 0.0), "right"),
        ((j, W), (L / 2 - s, W), "left"),
        ((L / 2 + s, W), (L - j, W), "left"),
        ((0.0, j), (0.0, W - j), "head"),
        ((L, j), (L, W - j), "foot"),
    ]
    facings = []
    for one, other, rail in noses:
        ahead = (other[0] - one[0], other[1] - one[1])
        size = hypot(*ahead)
        for end, sign in ((other, 1.0), (one, -1.0)):
            way = (sign * ahead[0] / size, sign * ahead[1] / size)
            cut = SIDE_CUT_RAD if rail in ("left", "right") and abs(end[0] - L / 2) < 0.1 else CORNER_CUT_RAD
            off = pi - cut
            away = {"right": (0.0, -1.0), "left": (0.0, 1.0), "head": (-1.0, 0.0), "foot": (1.0, 0.0)}[rail]
            tip = tuple(end[k] + long * (cos(off) * way[k] + sin(off) * away[k]) for k in (0, 1))
            facings.append((end, (tip[0], tip[1]), "jaw"))
    drops: list[tuple[Pocket, Pair, Pair, float]] = []
    for pocket, corner in (
        ("head-right", (0.0, 0.0)), ("foot-right", (L, 0.0)), ("head-left", (0.0, W)), ("foot-left", (L, W)),
    ):  # fmt: skip
        way = ((1 if corner[0] else -1) / sqrt(2), (1 if corner[1] else -1) / sqrt(2))
        drops.append((pocket, corner, way, CORNER_SHELF_M - table.corner_mouth_m / 2))  # type: ignore[arg-type]
    drops.append(("side-right", (L / 2, 0.0), (0.0, -1.0), SIDE_SHELF_M))
    drops.append(("side-left", (L / 2, W), (0.0, 1.0), SIDE_SHELF_M))
    return MirrorTable(tuple(noses + facings), tuple(drops), table.track_offset_m, table.ball_radius_m)


def run(on: MirrorTable, start: Pair, heading_rad: float, other: Pair | None = None) -> Run:
    """Follow a ball until it drops, meets ``other``, or has touched too much."""
    at, way, touched = start, (cos(heading_rad), sin(heading_rad)), []
    for _ in range(MOST_EVENTS):
        wall, normal, name = _next_wall(on, at, way)
        falls, pocket = inf, None
        for which, through, out, depth in on.drops:
            speed = way[0] * out[0] + way[1] * out[1]
            now = (at[0] - through[0]) * out[0] + (at[1] - through[1]) * out[1]
            if hypot(at[0] - through[0], at[1] - through[1]) > 0.35 and speed <= 0:
                continue
            if speed > 0 and (depth - now) / speed < falls:
                place = tuple(at[k] + way[k] * (depth - now) / speed for k in (0, 1))
                if hypot(place[0] - through[0], place[1] - through[1]) < 0.2:
                    falls, pocket = max((depth - now) / speed, 0.0), which
        meets = inf if other is None else _disc(at, way, other, 2 * on.ball_m)
        first = min(wall, falls, meets)
        if first == inf:
            break
        at = (at[0] + way[0] * first, at[1] + way[1] * first)
        if first == meets and other is not None:
            return Run(tuple(touched), centres=(other[0] - at[0], other[1] - at[1]))
        if first == falls:
            return Run(tuple(touched), pocket)
        touched.append(name)
        into = way[0] * normal[0] + way[1] * normal[1]
        way = (way[0] - 2 * into * normal[0], way[1] - 2 * into * normal[1])
    return Run(tuple(touched))


def _next_wall(on: MirrorTable, at: Pair, way: Pair) -> tuple[float, Pair, str]:
    best: tuple[float, Pair, str] = (inf, (0.0, 0.0), "")
    for one, other, name in on.segments:
        e = (other[0] - one[0], other[1] - one[1])
        size = hypot(*e)
        e = (e[0] / size, e[1] / size)
        side = (at[0] - one[0]) * -e[1] + (at[1] - one[1]) * e[0]
        normal = (-e[1], e[0]) if side > 0 else (e[1], -e[0])
        speed = way[0] * normal[0] + way[1] * normal[1]
        if speed < -1e-12:
            t = (abs(side) - on.radius_m) / -speed
            along = (at[0] + way[0] * t - one[0]) * e[0] + (at[1] + way[1] * t - one[1]) * e[1]
            if t > -1e-9 and 0 <= along <= size and t < best[0]:
                best = (max(t, 0.0), normal, name)
        t = _disc(at, way, one, on.radius_m)
        if t < best[0]:
            off = (at[0] + way[0] * t - one[0], at[1] + way[1] * t - one[1])
            best = (t, (off[0] / on.radius_m, off[1] / on.radius_m), "jaw")
    return best


def _disc(at: Pair, way: Pair, centre: Pair, radius: float) -> float:
    apart = (at[0] - centre[0], at[1] - centre[1])
    toward = apart[0] * way[0] + apart[1] * way[1]
    short = toward**2 - apart[0] ** 2 - apart[1] ** 2 + radius**2
    if short <= 0 or toward >= 0:
        return inf
    t = -toward - sqrt(short)
    return t if t > -1e-9 else inf


def rails_of(touched: Sequence[str]) -> list[str]:
    return [name for name in touched if name != "jaw"]
