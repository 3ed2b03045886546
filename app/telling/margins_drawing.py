"""The table with the margin at each start as a disc and a figure, as SVG; a dashed ring where it may be made otherwise.

The disc's area goes with the room to either side of the best aim. Where there is no line a cross stands.
"""

from math import sqrt

import numpy as np

from app.margins.over_table import MadeMargins, MarginTable
from app.telling.drawing import BORDER_BELOW_M, BORDER_M, drawing_style
from app.telling.margins_words import TO, half_words, why_not
from app.telling.svg import Svg
from app.telling.table_drawing import draw_scale, draw_table, mm
from calibration.table import Vector

# The largest disc as a share of the room between starts, and when there is only one start, metres.
ROOM = 0.42
LARGEST_M, LEAST_M = 0.13, 0.012
# Figures stand where starts are at least this far apart; closer, the picture tells them when it is pointed at.
LEAST_LABELLED_M = 0.2
CROSS_M = 0.02


def draw_margins(told_of: MarginTable, *, standalone: bool = False) -> str:
    """The picture of the margins. ``standalone`` carries the style along, for a file of its own."""
    table = told_of.table
    width, height = table.length_m + 2 * BORDER_M, table.width_m + BORDER_M + BORDER_BELOW_M
    svg = Svg(-1000 * BORDER_M, -1000 * (table.width_m + BORDER_M), 1000 * width, 1000 * height, cls="table-drawing")
    svg.title(f"{told_of.shot.name}: how far the line may stray, by place on the table")
    draw_table(svg, table, told_of.shot, told_of.corner)
    spacing = _spacing_m(told_of.start_m)
    room = min(LARGEST_M, ROOM * spacing)
    # Ways of one picture share a scale.
    most = max((float(np.max(way.whole.half_rad, where=way.possible, initial=0.0)) for way in told_of.ways), default=0)
    with svg.group(cls="margins"):
        for k, start in enumerate(told_of.start_m):
            _start(svg, told_of, k, start, most, room, labelled=spacing >= LEAST_LABELLED_M)
    draw_scale(svg, table)
    return svg.text(style=drawing_style() if standalone else "")


def _start(
    svg: Svg, told_of: MarginTable, k: int, start_m: Vector, most_rad: float, room_m: float, *, labelled: bool
) -> None:
    own = told_of.ways[0]
    said = [f"{TO[way.made]} {why_not(way, k) or f'{half_words(way, k)} either side'}" for way in told_of.ways]
    x, y = mm(start_m)
    with svg.group(cls="margin", title=f"{told_of.along[k]:g} along, {told_of.across[k]:g} across: {'; '.join(said)}"):
        for way in reversed(told_of.ways):
            if way.possible[k]:
                svg.circle(
                    (x, y), _radius(way, k, most_rad, room_m), cls="margin-own" if way is own else "margin-other"
                )
        if not own.possible[k]:
            r = 1000 * CROSS_M
            svg.line((x - r, y - r), (x + r, y + r), cls="no-line")
            svg.line((x - r, y + r), (x + r, y - r), cls="no-line")
        elif labelled:
            svg.label((x, y + 22), half_words(own, k), cls="margin-figure")


def _radius(way: MadeMargins, k: int, most_rad: float, room_m: float) -> float:
    return 1000 * max(room_m * sqrt(float(way.whole.half_rad[k]) / most_rad), LEAST_M)


def _spacing_m(start_m: Vector) -> float:
    """The least distance between two starts, metres; infinite when there is one."""
    if len(start_m) < 2:
        return float("inf")
    apart = np.hypot(*(start_m[:, None, :] - start_m[None, :, :]).transpose(2, 0, 1))
    apart[np.diag_indices(len(start_m))] = np.inf
    return float(apart.min())
