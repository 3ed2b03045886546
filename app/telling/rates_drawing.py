"""The table with each cell's make-rate evened out, as SVG, by colour and figure; the tries as counted stand below."""

from math import isfinite

from app.rates.from_log import Answer
from app.rates.make_rates import Cell, MakeRate
from app.telling.drawing import BORDER_BELOW_M, BORDER_M, drawing_style
from app.telling.rates_words import percent, rate_words
from app.telling.svg import Place, Svg
from app.telling.table_drawing import draw_scale, draw_table, mm, pocket_disc
from calibration.table import POCKETS, Corner, Table

# In a smaller cell the figures would run into the next; the picture tells them when it is pointed at.
LEAST_LABELLED_SIGHTS = 1.0


def draw_rates(answer: Answer, *, standalone: bool = False) -> str:
    """The picture of the cells. ``standalone`` carries the style along, for a file of its own."""
    table = answer.table
    width, height = table.length_m + 2 * BORDER_M, table.width_m + BORDER_M + BORDER_BELOW_M
    svg = Svg(-1000 * BORDER_M, -1000 * (table.width_m + BORDER_M), 1000 * width, 1000 * height, cls="table-drawing")
    svg.title(f"Make-rates of {answer.shot.name if answer.shot else 'all shots'} by place on the table")
    draw_table(svg, table, answer.shot, answer.corner)
    with svg.group(cls="cells"):
        for rate in answer.rates.cells:
            if rate.cell is not None:
                _cell(svg, rate, rate.cell, table, answer.corner)
    with svg.group(cls="pockets"):
        # The holes reach in over the noses' corners, and over the cells there.
        for pocket in POCKETS if table.has_pockets else ():
            centre, radius = pocket_disc(table, pocket)
            svg.circle(mm(centre), 1000 * radius, cls="hole")
    draw_scale(svg, table)
    return svg.text(style=drawing_style() if standalone else "")


def _cell(svg: Svg, rate: MakeRate, cell: Cell, table: Table, corner: Corner) -> None:
    (x0, y0), (x1, y1) = (_place(table, corner, cell.along[k], cell.across[k]) for k in (0, 1))
    left, top = min(x0, x1), min(y0, y1)
    tenth = round(10 * rate.pooled) if isfinite(rate.pooled) else 0
    with svg.group(title=f"{rate.name}: {rate_words(rate)}"):
        svg.rectangle((left, top), abs(x1 - x0), abs(y1 - y0), cls=f"cell tenth-{tenth}")
        if min(cell.along[1] - cell.along[0], cell.across[1] - cell.across[0]) >= LEAST_LABELLED_SIGHTS:
            middle = left + abs(x1 - x0) / 2, top + abs(y1 - y0) / 2
            svg.label((middle[0], middle[1] - 8), percent(rate.pooled), cls="cell-rate")
            svg.label((middle[0], middle[1] + 72), f"{rate.made} of {rate.tries}", cls="cell-count")


def _place(table: Table, corner: Corner, along: float, across: float) -> Place:
    end, side = corner.split("-")
    x = float(table.rail_point_m(side, along, corner, at="nose")[0])  # type: ignore[arg-type]
    y = float(table.rail_point_m(end, across, corner, at="nose")[1])  # type: ignore[arg-type]
    return 1000 * x, -1000 * y
