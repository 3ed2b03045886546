"""A table as surfaces that rays meet: floor, rails with sights, pockets, cushions, the face under the nose, the bed.

Everything is in the table frame of ``calibration.table``. Each ray is followed from the camera downwards: rail top,
cushion tops (one sloping plane a rail), then what lies below the nose.
"""

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.table import POCKETS, RAILS, Rail, Table

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Colour = tuple[float, float, float]  # red, green, blue as they appear on a screen, 0 to 255

CUSHION_WIDTH_M = 0.0492  # 1 7/8 to 2 in: the WPA's published equipment specification
CORNER_CUT_DEG, SIDE_CUT_DEG = 142.0, 104.0  # the same specification
APRON_DEPTH_M, FLOOR_DEPTH_M = 0.25, 0.78
# Pocket holes: distance of the centre beyond the corner (along each axis) or the side's nose line, and radius.
CORNER_HOLE_M, SIDE_HOLE_M = (0.038, 0.068), (0.070, 0.066)
RIM_M = 0.012


class Material(IntEnum):
    FLOOR = 0
    APRON = 1
    RAIL = 2
    SIGHT = 3
    RIM = 4
    HOLE = 5
    CUSHION = 6
    FACE = 7
    BED = 8
    SPOT = 9


@dataclass(frozen=True)
class Look:
    """What the table, the light and the sensor look like. Colours are red, green, blue as seen on a screen.

    ``lamp_m`` is where the lamp hangs, relative to the table's centre; its sideways part gives the shadows their
    direction. ``light`` scales everything; ``ambient`` is the share that comes from all around. ``noise_sd`` is in
    levels of 255. ``vignette`` is the loss of light in the picture's corners. ``gloss`` is how much of what Fresnel's
    law says balls mirror at their rims: 0 for matt ones, 1 for new resin.
    """

    cloth: Colour = (62, 134, 84)
    rail: Colour = (104, 62, 38)
    floor: Colour = (66, 60, 58)
    sight: Literal["diamond", "dot", "none"] = "diamond"
    sight_colour: Colour = (232, 226, 212)
    pockets: bool = True
    spot: bool = True
    rail_width_m: float = 0.150
    lamp_m: tuple[float, float, float] = (0.0, 0.0, 1.6)
    light: float = 1.0
    ambient: float = 0.35
    noise_sd: float = 1.5
    texture: float = 0.03
    face: float = 0.35  # brightness of the cushion's face under the nose against the bed
    vignette: float = 0.12
    gloss: float = 0.0


@dataclass(frozen=True)
class Hits:
    """What rays (n,) meet: material, place (n, 3) and reach (multiples of the ray)."""

    material: NDArray[np.uint8]
    place_m: Array
    reach: Array
    nose_m: Array = field(repr=False)  # distance of the ray's place on the bed from the nearest stretch of nose


def holes(table: Table) -> list[tuple[Array, float]]:
    """Centre (2,) and radius of each pocket's hole."""
    found: list[tuple[Array, float]] = []
    for pocket in POCKETS:
        end, side = pocket.split("-")
        y, out_y = (0.0, -1) if side == "right" else (table.width_m, 1)
        if end == "side":
            found.append((np.array([table.length_m / 2, y + out_y * SIDE_HOLE_M[0]]), SIDE_HOLE_M[1]))
        else:
            x, out_x = (0.0, -1) if end == "head" else (table.length_m, 1)
            found.append((np.array([x + out_x * CORNER_HOLE_M[0], y + out_y * CORNER_HOLE_M[0]]), CORNER_HOLE_M[1]))
    return found


def outward(places: Array, rail: Rail, table: Table) -> Array:
    """Distance of places (n, 2 or 3) beyond a rail's nose line, positive away from the bed."""
    if rail == "head":
        return -places[:, 0]
    if rail == "foot":
        return places[:, 0] - table.length_m
    return -places[:, 1] if rail == "right" else places[:, 1] - table.width_m


def _between_cuts(along: Array, beyond: Array, rail: Rail, table: Table, look: Look) -> Mask:
    """Whether places of a rail lie on rubber: between its jaw cuts (a mitre without pockets)."""
    length = table.length_m if rail in ("left", "right") else table.width_m
    if not look.pockets:
        return (along > -beyond) & (along < length + beyond)
    spread = beyond / np.tan(np.radians(180 - CORNER_CUT_DEG))
    jaw = table.corner_mouth_m / np.sqrt(2)
    on = (along > jaw - spread) & (along < length - jaw + spread)
    if rail in ("left", "right"):
        gap = table.side_mouth_m / 2 - beyond / np.tan(np.radians(180 - SIDE_CUT_DEG))
        on &= np.abs(along - length / 2) > gap
    return on


def _past_nose_end(along: Array, rail: Rail, table: Table, look: Look) -> Array:
    """How far places lie past the ends of a rail's noses, measured along the rail; 0 beside rubber."""
    length = table.length_m if rail in ("left", "right") else table.width_m
    jaw = table.corner_mouth_m / np.sqrt(2) if look.pockets else 0.0
    past = np.maximum(np.maximum(jaw - along, along - (length - jaw)), 0)
    if rail in ("left", "right") and look.pockets:
        past = np.maximum(past, table.side_mouth_m / 2 - np.abs(along - length / 2))
    return past


def trace(origin_m: Array, rays: Array, table: Table, look: Look) -> Hits:
    """Follow rays (n, 3) from a camera above the table to the first surface each meets."""
    n = len(rays)
    top, nose = table.sight_height_m, table.nose_height_m
    material = np.full(n, Material.FLOOR, dtype=np.uint8)
    down = np.minimum(rays[:, 2], -1e-6)
    reach = (-FLOOR_DEPTH_M - origin_m[2]) / down

    def at(level_m: float) -> tuple[Array, Array]:
        step = (level_m - origin_m[2]) / down
        return origin_m[:2] + rays[:, :2] * step[:, None], step

    def settle(where: Mask, what: Material, step: Array) -> None:
        material[where] = what
        reach[where] = step[where]

    on_top, top_step = at(top)
    beyond = np.stack([outward(on_top, rail, table) for rail in RAILS])
    farthest = beyond.max(axis=0)
    over_table = _within_frame(beyond, look)
    low, low_step = at(-APRON_DEPTH_M)
    low_beyond = np.stack([outward(low, rail, table) for rail in RAILS])
    settle(~over_table & _within_frame(low_beyond, look), Material.APRON, (top_step + low_step) / 2)

    in_hole, on_rim = _in_holes(on_top, table, look)
    rail_top = over_table & (farthest > CUSHION_WIDTH_M) & ~in_hole
    settle(rail_top, Material.RAIL, top_step)
    settle(rail_top & on_rim, Material.RIM, top_step)
    if look.sight != "none":
        settle(rail_top & _on_sights(on_top, table, look), Material.SIGHT, top_step)

    below = over_table & ~rail_top
    for rail in RAILS:
        # z = nose + slope * beyond, both linear in the reach.
        slope = (top - nose) / CUSHION_WIDTH_M
        start = outward(origin_m[None, :2], rail, table)[0]
        rate = outward(origin_m[None, :2] + rays[:, :2], rail, table) - start
        step = (nose + slope * start - origin_m[2]) / np.where(
            np.abs(rays[:, 2] - slope * rate) < 1e-9, -1e-9, rays[:, 2] - slope * rate
        )
        past = start + step * rate
        axis = 1 if rail in ("head", "foot") else 0
        along = origin_m[axis] + step * rays[:, axis]
        on = below & (past >= 0) & (past <= CUSHION_WIDTH_M) & _between_cuts(along, past, rail, table, look)
        on &= ~in_hole
        settle(on, Material.CUSHION, step)
        below &= ~on

    bed, bed_step = at(0.0)
    bed_hole, _ = _in_holes(bed, table, look)
    face = np.zeros(n, dtype=bool)
    under = np.zeros(n, dtype=bool)
    nose_m = np.full(n, np.inf)
    for rail in RAILS:
        past = outward(bed, rail, table)
        along = bed[:, 1 if rail in ("head", "foot") else 0]
        face |= (past > 0) & _between_cuts(along, np.maximum(past, 0), rail, table, look)
        under |= past > (0.0 if rail in ("head", "foot") or not look.pockets else 0.03)
        nose_m = np.minimum(nose_m, np.hypot(past, _past_nose_end(along, rail, table, look)))
    settle(below, Material.BED, bed_step)
    settle(below & face, Material.FACE, bed_step)
    settle(below & (bed_hole | (in_hole & (face | under))), Material.HOLE, bed_step)
    if look.spot:
        foot_spot = np.array([table.length_m * 0.75, table.width_m / 2])
        settle(below & (np.hypot(*(bed - foot_spot).T) < 0.0045), Material.SPOT, bed_step)
    return Hits(material, origin_m + rays * reach[:, None], reach, nose_m)


def _within_frame(beyond: Array, look: Look) -> Mask:
    """Whether places, given as distances beyond the four noses (4, n), lie inside the rounded outer edge."""
    radius = 0.06
    over = np.maximum(beyond - (look.rail_width_m - radius), 0)
    return (over**2).sum(axis=0) < radius**2


def _in_holes(places: Array, table: Table, look: Look) -> tuple[Mask, Mask]:
    """Whether places (n, 2) lie in a pocket's hole, and on the rim round one."""
    inside, rim = np.zeros(len(places), dtype=bool), np.zeros(len(places), dtype=bool)
    if look.pockets:
        for centre, radius in holes(table):
            away = ((places - centre) ** 2).sum(axis=1)
            inside |= away < radius**2
            rim |= away < (radius + RIM_M) ** 2
    return inside, rim


def _on_sights(places: Array, table: Table, look: Look) -> Mask:
    on = np.zeros(len(places), dtype=bool)
    for rail in RAILS:
        across = 1 if rail in ("left", "right") else 0
        for sight in table.sights_m(rail):
            along_m, across_m = (
                np.abs(places[:, 1 - across] - sight[1 - across]),
                np.abs(places[:, across] - sight[across]),
            )
            if look.sight == "dot":
                on |= along_m**2 + across_m**2 < 0.006**2
            else:
                on |= along_m / 0.0055 + across_m / 0.0125 < 1
    return on
