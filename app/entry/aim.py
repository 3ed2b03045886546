"""A line of aim told by two places, and how well it is known.

Of the two places one is where the ball lay, or the near rail's sight that the line came over, the other the first
rail's sight that it passed. The fit takes the start as it stands and asks by how much the line may pass beside the
target's image. Let the image be t from the start, the two places D apart, and u how far the image lies from the first
of them towards the second, in units of D. Errors e1 and e2 of the places, square to the line, displace it there by
(1 - u) e1 + u e2; divided by t that is the bearing's error. Its two parts are kept apart: a ball put on the same mark
is misread alike every time, so the first is shared by the entries of a practice that tell the same start, as attempts
of one film share the turn of its camera.
"""

from dataclasses import dataclass
from math import atan2, cos, hypot, sin

import numpy as np

from app.entry.line_parts import BallAt, Line, OverSight
from app.entry.reading_error import place_sd_m, sight_sd, spacing_m
from app.entry.vocabulary import UNIT_M, how_to
from app.margins.shot_margins import image_m
from app.telling.words import corner_on, counting_corner
from calibration.errors import InputError
from calibration.table import CORNERS, Corner, Rail, Table, Vector
from vision.shot import Shot

OPPOSITE: dict[Rail, Rail] = {"left": "right", "right": "left", "head": "foot", "foot": "head"}
# A count this far past a rail's end is a slip; so far a line may still pass beyond a corner.
PAST_END = 1.0
# Nearer than this to the rail's place no line can be told by the two.
LEAST_APART_M = 0.2
# A start told this far inside a cushion, in sights, is a ball frozen to it.
FROZEN = 0.25


@dataclass(frozen=True)
class Aim:
    """A line of aim by two places, their sds square to it, and the start upon it. Metres, radians.

    ``told`` names the start as it was told; ``near_rail`` the rail whose sight it was told by, None for a ball's place.
    """

    first_m: Vector
    second_m: Vector
    start_m: Vector
    start_sd_m: float
    bearing_rad: float
    first_sd_m: float
    second_sd_m: float
    told: str
    near_rail: Rail | None


def aim_of(line: Line, shot: Shot, table: Table) -> Aim:
    """Raises InputError, in a sentence, for places that are not there and lines that do not cross the table."""
    corner, first = counting_corner(shot, table), shot.rails[0]
    if isinstance(line.start, OverSight):
        return _aim_over(line.start, line.through, line.start.rail or OPPOSITE[first], first, corner, table)
    return _aim_from(line.start, line.through, first, corner, table)


def bearing_sds(aim: Aim, shot: Shot, table: Table) -> tuple[float, float]:
    """The bearing's own and shared sd, radians, as the module's text says; without a known target, of the direction."""
    apart = hypot(*(aim.second_m - aim.first_m))
    image = image_m(shot, table)
    if image is None:
        return aim.second_sd_m / apart, aim.first_sd_m / apart
    away = hypot(*(image - aim.start_m))
    ray = (aim.second_m - aim.first_m) / apart
    u = (float((aim.start_m - aim.first_m) @ ray) + away) / apart
    return abs(u) * aim.second_sd_m / away, abs(1 - u) * aim.first_sd_m / away


def _over(over: OverSight, rail: Rail, corner: Corner, table: Table, what: str) -> Vector:
    most = (8 if rail in ("left", "right") else 4) + PAST_END
    if not -PAST_END <= over.count.value <= most:
        raise InputError(
            f"the {what} {over.count.value:g} is past the ends of the {rail} rail, whose sights count from 0 at the "
            f"{corner_on(rail, corner)} corner to {most - PAST_END:g}."
        )
    return table.rail_point_m(rail, over.count.value, corner_on(rail, corner), at=over.at)


def _through(over: OverSight, first: Rail, corner: Corner, table: Table) -> tuple[Vector, float]:
    """The place on the first rail and its sd along that."""
    if over.rail not in (None, first):
        raise InputError(f"the line is told on the {over.rail} rail; this shot's first rail is the {first} one.")
    return _over(over, first, corner, table, "line's sight"), sight_sd(over.count) * spacing_m(first, table)


def square_to(rail: Rail, bearing_rad: float) -> float:
    """Share of an error along a rail that is square to a line."""
    return abs(sin(bearing_rad)) if rail in ("left", "right") else abs(cos(bearing_rad))


def _aim_over(start: OverSight, through: OverSight, near: Rail, first: Rail, corner: Corner, table: Table) -> Aim:
    if near == first:
        raise InputError(
            f"the start is told on the {near} rail, which is the shot's first; tell it on another rail, or as in "
            f"{how_to('start')}."
        )
    one = _over(start, near, corner, table, "start's sight")
    other, far_sd = _through(through, first, corner, table)
    bearing = atan2(other[1] - one[1], other[0] - one[0])
    begin, end = _on_table(one, other, table)
    near_sd = sight_sd(start.count) * spacing_m(near, table)
    # Anywhere along it, evenly: half the variance of that falls to each coordinate, on the average.
    spread = hypot(*(end - begin)) / 12**0.5
    return Aim(
        first_m=one,
        second_m=other,
        start_m=(begin + end) / 2,
        start_sd_m=hypot(spread, near_sd) / 2**0.5,
        bearing_rad=bearing,
        first_sd_m=near_sd * square_to(near, bearing),
        second_sd_m=far_sd * square_to(first, bearing),
        told=f"start {start.count.value:g} {'at the nose ' if start.at == 'nose' else ''}of the {near} rail",
        near_rail=near,
    )


def _on_table(one: Vector, other: Vector, table: Table) -> tuple[Vector, Vector]:
    """The part of a line between two places on which a ball can lie."""
    o = table.track_offset_m
    low, high = 0.0, 1.0
    for axis, length in enumerate((table.length_m, table.width_m)):
        step = float(other[axis] - one[axis])
        if abs(step) > 1e-9:
            ends = sorted(((o - one[axis]) / step, (length - o - one[axis]) / step))
            low, high = max(low, float(ends[0])), min(high, float(ends[1]))
        elif not o <= one[axis] <= length - o:
            high = -1.0
    if high <= low:
        raise InputError(
            "the line from the start's sight through the line's sight does not cross the table; check both."
        )
    return one + low * (other - one), one + high * (other - one)


def _aim_from(start: BallAt, through: OverSight, first: Rail, corner: Corner, table: Table) -> Aim:
    end, side = corner.split("-")
    unit = "sights" if start.unit == "sight" else start.unit
    named = f"{start.along.value:g} by {start.across.value:g} {unit}"
    along_m, across_m = (
        spacing_m(side, table) if start.unit == "sight" else UNIT_M[start.unit],  # type: ignore[arg-type]
        spacing_m(end, table) if start.unit == "sight" else UNIT_M[start.unit],  # type: ignore[arg-type]
    )
    origin = table.corner_m(corner)
    inward = np.where(origin == 0, 1.0, -1.0)
    place = origin + inward * np.array([start.along.value * along_m, start.across.value * across_m])
    o = table.track_offset_m
    inside = np.clip(place, o, np.array([table.length_m, table.width_m]) - o)
    if np.abs(place - inside).max() > FROZEN * table.diamond_m:
        raise InputError(
            f"the start {named} lies off the table; count along the long rail from the {corner} corner, then across."
        )
    if any(hypot(*(place - table.corner_m(c))) < table.corner_mouth_m for c in CORNERS):
        raise InputError(f"the start {named} lies in a corner pocket; check the numbers and their unit.")
    other, far_sd = _through(through, first, corner, table)
    if hypot(*(other - inside)) < LEAST_APART_M:
        raise InputError(
            "the start lies so near to the line's sight that the two tell no line; tell a start farther off."
        )
    bearing = atan2(other[1] - inside[1], other[0] - inside[0])
    sds = (
        place_sd_m(start.along, start.unit, along_m),
        place_sd_m(start.across, start.unit, across_m),
    )
    return Aim(
        first_m=inside,
        second_m=other,
        start_m=inside,
        start_sd_m=hypot(*sds) / 2**0.5,
        bearing_rad=bearing,
        first_sd_m=hypot(sds[0] * sin(bearing), sds[1] * cos(bearing)),
        second_sd_m=far_sd * square_to(first, bearing),
        told=f"start {named}",
        near_rail=None,
    )
