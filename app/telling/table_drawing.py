"""The empty table of a drawing: wood, cloth, pockets, sights with their counts, target and scale."""

from math import hypot

import numpy as np

from app.telling.svg import Place, Svg
from app.telling.words import corner_on, counting_corner
from calibration.table import POCKETS, RAILS, Corner, Rail, Table, Vector
from vision.shot import Shot

# Nose to the outer edge of the wood; common practice, no source.
RAIL_WIDTH_M = 0.135
SIGHT_HALF_M = 0.014
SCALE_M = 0.5


def mm(place_m: Vector) -> Place:
    """Page coordinates of a place in the table frame: y is up on the table and down on the page."""
    return 1000 * float(place_m[0]), -1000 * float(place_m[1])


def draw_table(svg: Svg, table: Table, shot: Shot | None, corner: Corner | None = None) -> None:
    """Sights are counted from ``corner``, else from the shot's own; one of the two must be given."""
    if corner is None:
        if shot is None:
            raise ValueError("a table is drawn for a shot, or with a corner to count from")
        corner = counting_corner(shot, table)
    with svg.group(cls="bed"):
        wood = RAIL_WIDTH_M
        svg.rectangle(
            mm(np.array([-wood, table.width_m + wood])),
            1000 * (table.length_m + 2 * wood),
            1000 * (table.width_m + 2 * wood),
            radius=90,
            cls="wood",
        )
        svg.rectangle(mm(np.array([0.0, table.width_m])), 1000 * table.length_m, 1000 * table.width_m, cls="cloth")
        for pocket in POCKETS if table.has_pockets else ():
            centre, radius = pocket_disc(table, pocket)
            svg.circle(mm(centre), 1000 * radius, cls="hole")
        for rail in RAILS:
            for sight in table.sights_m(rail):
                _sight(svg, sight[:2])
    with svg.group(cls="counts"):
        for rail in RAILS:
            _counts(svg, table, corner, rail)
    if shot is None:
        return
    if shot.target_pocket is not None:
        centre, radius = pocket_disc(table, shot.target_pocket)
        svg.circle(mm(centre), 1000 * (radius + 0.018), cls="target")
    if isinstance(shot.target_ball, tuple):
        svg.circle(mm(np.array(shot.target_ball)), 1000 * table.ball_radius_m, cls="target-ball")


def pocket_disc(table: Table, pocket: str) -> tuple[Vector, float]:
    """Centre and radius of the disc that stands for a pocket: through both jaw points, set back behind the noses."""
    jaws = table.jaw_points_m(pocket)  # type: ignore[arg-type]
    mouth = jaws.mean(axis=0)
    half = hypot(*(jaws[1] - jaws[0])) / 2
    away = mouth - table.centre_m
    # Side pockets lie straight out from the table, corner pockets on the diagonal.
    outward = np.array([0.0, np.sign(away[1])]) if pocket.startswith("side") else np.sign(away) / np.sqrt(2)
    set_back = 0.45 * half
    return mouth + outward * set_back, hypot(half, set_back)


def draw_scale(svg: Svg, table: Table) -> None:
    """A bar of half a metre under the table's foot end."""
    y = -(RAIL_WIDTH_M + 0.25)
    right = table.length_m + RAIL_WIDTH_M
    with svg.group(cls="scale"):
        start, end = mm(np.array([right - SCALE_M, y])), mm(np.array([right, y]))
        svg.line(start, end)
        for x, level in (start, end):
            svg.line((x, level - 18), (x, level + 18))
        svg.label((start[0] - 45, start[1] + 20), "50 cm", anchor="end")
        svg.label((mm(np.array([-RAIL_WIDTH_M, y]))[0], start[1] + 20), "← head", anchor="start", cls="rail-name")


def _sight(svg: Svg, at_m: Vector) -> None:
    x, y = mm(at_m)
    s = 1000 * SIGHT_HALF_M
    svg.polygon([(x - s, y), (x, y - s), (x + s, y), (x, y + s)], cls="sight")


def _counts(svg: Svg, table: Table, corner: Corner, rail: Rail) -> None:
    """The sights' numbers, counted from the end of the rail on the counting corner's side."""
    corner = corner_on(rail, corner)
    outward = {"head": (-1.0, 0.0), "foot": (1.0, 0.0), "right": (0.0, -1.0), "left": (0.0, 1.0)}[rail]
    for sight in table.sights_m(rail):
        count = round(table.diamonds_along(sight[:2], rail, corner))
        x, y = mm(sight[:2] + np.array(outward) * (RAIL_WIDTH_M - table.sight_setback_m + 0.075))
        svg.label((x, y + 20), str(count), cls="count")
