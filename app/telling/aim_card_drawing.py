"""The aim card as a picture: the lines from the near rail over the first one to the point, and the starts seen.

Lines that hold are solid, unsure ones dashed, those beyond the starts seen dotted: no reader depends on colours.
"""

import numpy as np

from app.card.aim_card import AimCard
from app.card.card_rows import CardRow
from app.telling.aim_card_words import tell_near, tell_place, tell_state
from app.telling.drawing import View, draw_point, drawing_style, to_edge, view_of
from app.telling.point_view import PointView
from app.telling.svg import Svg
from app.telling.table_drawing import draw_scale, draw_table, mm
from calibration.table import Vector

# A line is carried on past the first rail by this where there is no point to end it.
CARRIED_ON_M = 0.25


def draw_card(card: AimCard, point: PointView, *, standalone: bool = False) -> str:
    """The picture as SVG. ``standalone`` carries the style along, for a file of its own."""
    view = view_of(card.table, point)
    svg = Svg(*view_box(view), cls="table-drawing")
    svg.title(f"{card.shot.name}: the lines of the aim card on a {card.table.name} table")
    draw_card_on(svg, card, point, view)
    return svg.text(style=drawing_style() if standalone else "")


def view_box(view: View) -> tuple[float, float, float, float]:
    """Left, top, width and height of the picture, millimetres."""
    return 1000 * view.x0, -1000 * view.y1, 1000 * (view.x1 - view.x0), 1000 * (view.y1 - view.y0)


def draw_card_on(svg: Svg, card: AimCard, point: PointView, view: View) -> None:
    """The picture's parts on a sheet of the view's size."""
    draw_table(svg, card.table, card.shot)
    with svg.group(cls="seen-starts"):
        for start in card.seen.start_m:
            svg.circle(mm(start), 1000 * card.table.ball_radius_m, cls="seen")
    for row in card.rows:
        _line(svg, card, row, view)
    draw_point(svg, point, card.first, card.table, view)
    draw_scale(svg, card.table)


def _line(svg: Svg, card: AimCard, row: CardRow, view: View) -> None:
    nose = card.table.rail_point_m(card.first, row.at_nose.count, card.first_corner, at="nose")
    heading = (nose - row.near_m) / float(np.hypot(*(nose - row.near_m)))
    words = f"{tell_near(row)} on the {card.near} rail, {tell_place(row.through_sight)} on the {card.first} rail"
    with svg.group(cls=row.state if row.on_cushion else "no-cushion", title=f"{words}: {tell_state(row)}"):
        svg.line(mm(row.near_m), mm(nose), cls="card-line")
        svg.line(mm(nose), mm(_end(card, nose, heading, view)), cls="needed")


def _end(card: AimCard, nose: Vector, heading: Vector, view: View) -> Vector:
    """Where a line ends that is carried on past the first rail."""
    reach = to_edge(nose, heading, view)
    if card.point_m is None:
        reach = min(reach, CARRIED_ON_M)
    elif (to_point := float((card.point_m - nose) @ heading)) > 0:
        reach = min(reach, to_point)
    else:
        reach = 0.0
    end: Vector = nose + reach * heading
    return end
