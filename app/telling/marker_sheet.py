"""Printed markers: a PDF of one sheet a marker, at exact size, with lines to lay it by and to check the print by."""

import io
from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import InputError
from calibration.marker_file import CUT_MARGIN_M, RailPlace
from calibration.markers import CELLS, marker_cells

# Width and height in millimetres.
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# White paper beside and above the square, in cells; room for the words below the cut, for the arrow's head at the top.
WHITE_BESIDE_CELLS, WHITE_ABOVE_CELLS = 1.5, 1.0
WORDS_MM, TOP_MM = 54.0, 10.0
LEAST_SIZE_MM = 60.0
RULER_MM = 100
# Cells of one colour overlap by this, so that no viewer shows a seam between them.
SEAM_MM = 0.05

HOW = (
    ("Print at 100 % (actual size, not fitted to the page): on every sheet both rulers must measure 100 mm.",),
    ("Cut each sheet along its dashed line. The cut edge is what it is laid by.",),
    ("Stand a box, or a thick book, on the cloth with its face against the nose of the rail named on the sheet.",),
    ("Lay the sheet flat, its cut edge against the foot of the box, its arrow towards the middle of the table.",),
    (
        "Measure with a tape along the rail, from the nose of the rail named to the sheet's middle line, to the",
        "millimetre; write it into markers.toml where it differs from what stands there.",
    ),
    ("Take the box away. Film for some seconds: all sheets flat, whole and sharp in the picture, nobody over them.",),
    ("Run:  railpoint setup FILM --markers markers.toml --camera camera.json",),
    (
        "Take the sheets away, for balls roll otherwise over paper. Leave the camera as it is, and read what you film",
        "with  railpoint read FILM --shot SHOT.toml --camera camera.json",
    ),
)
CAUTIONS = (
    "A camera over a table is a weight over people. Hang it on fixings rated for the load, with a secondary safety",
    "cable that would hold it alone. No ladder work alone. Wiring, and fixing to a building, is for a licensed",
    "electrician or contractor and under the local code. A pole or stand used as a mark is a trip hazard.",
    "People on film: ask them, and a guardian for a minor; keep footage no longer than needed.",
)


def largest_size_mm(paper: str) -> float:
    """The largest square that a paper takes, a whole number of millimetres."""
    width, height = PAPERS[paper]
    across = width / (1 + 2 * WHITE_BESIDE_CELLS / CELLS)
    up = (height - WORDS_MM - TOP_MM - 1000 * CUT_MARGIN_M) / (1 + WHITE_ABOVE_CELLS / CELLS)
    return float(int(min(across, up)))


def marker_sheets(places: Sequence[RailPlace], size_m: float, *, table_name: str, paper: str = "a4") -> bytes:
    """The PDF: a page of what to do, then a page for each marker. The same input gives the same bytes.

    Raises InputError for a paper that is not known, or a square that is too small or does not fit on it.
    """
    if paper not in PAPERS:
        raise InputError(f"paper {paper!r} is not known; use one of {', '.join(PAPERS)}.")
    size_mm = 1000 * size_m
    if not LEAST_SIZE_MM <= size_mm <= largest_size_mm(paper):
        raise InputError(
            f"a marker of {size_mm:g} mm cannot be printed on {paper}; choose {LEAST_SIZE_MM:g} to "
            f"{largest_size_mm(paper):g} mm."
        )
    stream = io.BytesIO()
    width, height = PAPERS[paper]
    page = Canvas(stream, pagesize=(width * mm, height * mm), invariant=1)
    page.setTitle("Markers for setting up a camera over a table")
    _cover(page, height, places, table_name)
    for place in places:
        _sheet(page, place, size_mm, width, height)
    page.save()
    return stream.getvalue()


def _cover(page: Canvas, height: float, places: Sequence[RailPlace], table_name: str) -> None:
    line = height - 28
    _write(page, 18, line, f"{len(places)} markers for a {table_name} table", 16, bold=True)
    for step, lines in enumerate(HOW, 1):
        line -= 3
        for k, words in enumerate(lines):
            line -= 5
            _write(page, 18 if k == 0 else 24, line, f"{step}.  {words}" if k == 0 else words, 10)
    line -= 13
    _write(page, 18, line, "Where they are to lie", 12, bold=True)
    for place in places:
        line -= 6
        _write(page, 18, line, f"{place.id}:  {_where(place)}", 10)
    line -= 13
    _write(page, 18, line, "Cautions", 12, bold=True)
    for words in CAUTIONS:
        line -= 5.5
        _write(page, 18, line, words, 10)
    page.showPage()


def _sheet(page: Canvas, place: RailPlace, size_mm: float, width: float, height: float) -> None:
    middle, cut = width / 2, WORDS_MM
    centre = cut + 1000 * CUT_MARGIN_M + size_mm / 2
    _square(page, place.id, middle, centre, size_mm)
    page.setLineWidth(0.25 * mm)
    # The middle line, up from the cut edge and on above the square, in line with its middle; the arrow ends it.
    for low, high in ((cut, centre - size_mm / 2 - 12), (centre + size_mm / 2 + 12, height - 8)):
        page.line(middle * mm, low * mm, middle * mm, high * mm)
    for side in (-1, 1):
        page.line(middle * mm, (height - 8) * mm, (middle + 2.5 * side) * mm, (height - 13) * mm)
        # The level of the square's middle, at the paper's edges.
        edge = middle + side * middle
        page.line(edge * mm, centre * mm, (edge - side * 10) * mm, centre * mm)
    page.setDash(3 * mm, 2 * mm)
    page.line(0, cut * mm, width * mm, cut * mm)
    page.setDash()
    _write(page, 12, height - 22, str(place.id), 30, bold=True)
    _write(page, 12, cut + 3, f"this edge plumb under the nose of the {place.rail} rail", 9)
    _write(page, 12, cut - 6, "Cut along the dashed line.", 9)
    _write(page, 12, cut - 16, f"Marker {place.id}: {_where(place)}", 10, bold=True)
    _write(page, 12, cut - 22, "The arrow points to the middle of the table. Measure to the middle line.", 9)
    _ruler(page, 12, cut - 36, across=True)
    _write(page, 12, cut - 44, f"Each ruler must measure {RULER_MM} mm, the black square {size_mm:g} mm.", 9)
    _ruler(page, width - 10, cut + 12, across=False)
    page.showPage()


def _square(page: Canvas, number: int, middle: float, centre: float, size_mm: float) -> None:
    """The black square with its white cells; cells of one row that touch are drawn as one."""
    page.rect((middle - size_mm / 2) * mm, (centre - size_mm / 2) * mm, size_mm * mm, size_mm * mm, stroke=0, fill=1)
    cell = size_mm / CELLS
    white = marker_cells(number)
    page.setFillGray(1)
    for row in range(CELLS):
        column = 0
        while column < CELLS:
            run = 0
            while column + run < CELLS and white[row, column + run]:
                run += 1
            for k in range(run):
                below = row + 1 < CELLS and bool(white[row + 1, column + k])
                drop = SEAM_MM if below else 0.0
                x, y = middle - size_mm / 2 + (column + k) * cell, centre + size_mm / 2 - (row + 1) * cell - drop
                page.rect(x * mm, y * mm, (cell + (SEAM_MM if k < run - 1 else 0)) * mm, (cell + drop) * mm, 0, 1)
            column += max(run, 1)
    page.setFillGray(0)


def _ruler(page: Canvas, x: float, y: float, *, across: bool) -> None:
    page.setLineWidth(0.2 * mm)
    for k in range(RULER_MM // 10 + 1):
        tick = 4.0 if k % 5 == 0 else 2.5
        if across:
            page.line((x + 10 * k) * mm, y * mm, (x + 10 * k) * mm, (y + tick) * mm)
        else:
            page.line(x * mm, (y + 10 * k) * mm, (x - tick) * mm, (y + 10 * k) * mm)
    if across:
        page.line(x * mm, y * mm, (x + RULER_MM) * mm, y * mm)
    else:
        page.line(x * mm, y * mm, x * mm, (y + RULER_MM) * mm)


def _write(page: Canvas, x: float, y: float, words: str, size: float, *, bold: bool = False) -> None:
    page.setFont("Helvetica-Bold" if bold else "Helvetica", size)
    page.drawString(x * mm, y * mm, words)


def _where(place: RailPlace) -> str:
    return f"at the {place.rail} rail, {1000 * place.along_m:.0f} mm from the nose of the {place.measured_from} rail"
