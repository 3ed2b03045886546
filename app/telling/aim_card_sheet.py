"""The aim card on paper: one page with the picture, the lines, how to use them, and the cautions, in black on white."""

import io
from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from app.card.aim_card import AimCard
from app.card.card_rows import CardRow
from app.telling.aim_card_drawing import draw_card_on, view_box
from app.telling.aim_card_words import (
    tell_card,
    tell_chance,
    tell_chances,
    tell_counting,
    tell_how,
    tell_near,
    tell_place,
    tell_state,
    tell_within,
)
from app.telling.drawing import view_of
from app.telling.marker_sheet import CAUTIONS, PAPERS
from app.telling.pdf_picture import LINES_BY_GROUP, Ink, PdfPicture, printable, set_ink
from app.telling.point_view import PointView
from app.telling.shot_words import describe_shot
from calibration.errors import InputError

MARGIN_MM = 15.0
# The picture beside the words, and no higher than this.
PICTURE_WIDE_MM, PICTURE_HIGH_MM, GAP_MM = 112.0, 98.0, 6.0
ROW_MM, LEAST_ROW_MM = 6.6, 4.0
LARGEST_PT, SMALL_PT = 10.0, 8.5
SHORT = {"beyond the starts seen": "beyond", "into the pocket": "pocket"}
# More rows than this stand in two blocks side by side.
ROWS_IN_A_BLOCK = 16
BLOCK_GAP_MM = 8.0
# More have no room on the page; the screen tells all.
MOST_NOTES = 1
REGULAR, BOLD = "Helvetica", "Helvetica-Bold"


def card_sheet(
    card: AimCard, point: PointView, *, part: str = "", notes: Sequence[str] = (), paper: str = "a4"
) -> bytes:
    """The PDF, one page. The same input gives the same bytes.

    ``part`` names the attempts that alone were fitted, ``notes`` are further sentences on them.

    Raises InputError for a paper that is not known.
    """
    if paper not in PAPERS:
        raise InputError(f"paper {paper!r} is not known; use one of {', '.join(PAPERS)}.")
    width, height = PAPERS[paper]
    stream = io.BytesIO()
    page = Canvas(stream, pagesize=(width * mm, height * mm), invariant=1)
    page.setTitle(printable(f"Aim card: {card.shot.name}"))
    wide = width - 2 * MARGIN_MM
    line = height - MARGIN_MM - 4
    _fitted(page, MARGIN_MM, line, f"{card.shot.name[:1].upper()}{card.shot.name[1:]}", wide, 17, BOLD)
    line -= 6
    under = f"Aim card · {describe_shot(card.shot)} · {card.table.name} table{f' · {part}' if part else ''}"
    _fitted(page, MARGIN_MM, line, under, wide, 9.5, REGULAR)
    low = _cautions(page, MARGIN_MM)
    top = _picture_and_words(page, card, point, line - 4, wide)
    below = [tell_counting(card), tell_within(), *tell_chances(card), *tell_how(card), *notes[:MOST_NOTES]]
    low = _from_below(page, below, low + 3, wide, 8.5)
    _lines(page, card, top - 4, low + 2, wide)
    page.showPage()
    page.save()
    return stream.getvalue()


def _cautions(page: Canvas, low: float) -> float:
    """At the foot of the page; gives the height above them."""
    for words in reversed(CAUTIONS):
        _write(page, MARGIN_MM, low, words, 8)
        low += 3.6
    _write(page, MARGIN_MM, low + 0.4, "Cautions", 8, BOLD)
    return low + 4.5


def _from_below(page: Canvas, sentences: Sequence[str], low: float, wide: float, size: float) -> float:
    for sentence in reversed(sentences):
        for words in reversed(simpleSplit(printable(sentence), REGULAR, size, wide * mm)):
            _write(page, MARGIN_MM, low, words, size)
            low += size * 0.43
        low += 0.8
    return low


def _picture_and_words(page: Canvas, card: AimCard, point: PointView, top: float, wide: float) -> float:
    """Side by side; gives the height below both."""
    view = view_of(card.table, point)
    box = view_box(view)
    picture_wide = min(PICTURE_WIDE_MM, PICTURE_HIGH_MM * box[2] / box[3])
    draw_card_on(PdfPicture(page, box, (MARGIN_MM, top), picture_wide), card, point, view)
    left = MARGIN_MM + picture_wide + GAP_MM
    line = top - 4
    for heading, sentences in tell_card(card, point):
        _write(page, left, line, heading, 9.5, BOLD)
        line -= 4.4
        for sentence in sentences:
            for words in simpleSplit(printable(sentence), REGULAR, 9, (wide - picture_wide - GAP_MM) * mm):
                _write(page, left, line, words, 9)
                line -= 4.0
            line -= 0.6
        line -= 2.0
    return min(top - picture_wide * box[3] / box[2], line)


def _lines(page: Canvas, card: AimCard, top: float, low: float, wide: float) -> None:
    """The rows between two heights, in one block or two."""
    rows = card.rows
    blocks = [rows] if len(rows) <= ROWS_IN_A_BLOCK else [rows[: (len(rows) + 1) // 2], rows[(len(rows) + 1) // 2 :]]
    block_wide = (wide - BLOCK_GAP_MM * (len(blocks) - 1)) / len(blocks)
    step = max(min(ROW_MM, (top - low - 8) / len(blocks[0])), LEAST_ROW_MM)
    for k, block in enumerate(blocks):
        _block(page, card, block, MARGIN_MM + k * (block_wide + BLOCK_GAP_MM), top, block_wide, step)


def _block(
    page: Canvas, card: AimCard, rows: Sequence[CardRow], left: float, top: float, wide: float, step: float
) -> None:
    chances = card.stroke is not None
    shares = (0.0, 0.12, 0.43, 0.665, 0.80) if chances else (0.0, 0.13, 0.43, 0.69)
    columns = [left + share * wide for share in shares]
    titles = [(card.near, "rail"), (f"{card.first} rail,", "through the sight"), (f"{card.first} rail,", "at the nose")]
    if chances:
        titles.append(("", "made"))
    for x, (above, below) in zip(columns, titles, strict=False):
        _write(page, x, top - 3, above, 8.5, BOLD)
        _write(page, x, top - 6.6, below, 8.5, BOLD)
    set_ink(page, Ink(0.6))
    page.line(left * mm, (top - 8) * mm, (left + wide) * mm, (top - 8) * mm)
    size = min(LARGEST_PT, 2 * step)
    for k, row in enumerate(rows):
        base = top - 8 - (k + 1) * step + 0.3 * step
        whole = row.near_sight == int(row.near_sight)
        _write(page, columns[0], base, tell_near(row), size, BOLD if whole else REGULAR)
        _write(page, columns[1], base, tell_place(row.through_sight), size)
        _write(page, columns[2], base, tell_place(row.at_nose), size)
        if chances:
            _write(page, columns[3], base, tell_chance(row), min(size, SMALL_PT))
        # The line as it is drawn in the picture, then its state in words.
        set_ink(page, LINES_BY_GROUP[row.state if row.on_cushion else "no-cushion"])
        middle = (base + 0.12 * size) * mm
        page.line(columns[-1] * mm, middle, (columns[-1] + 5) * mm, middle)
        _write(page, columns[-1] + 6, base, SHORT.get(tell_state(row), tell_state(row)), min(size, SMALL_PT))
        set_ink(page, Ink(0.2, line=0.6))
        page.line(left * mm, (base - 0.28 * step) * mm, (left + wide) * mm, (base - 0.28 * step) * mm)


def _fitted(page: Canvas, x: float, y: float, words: str, wide: float, size: float, font: str) -> None:
    """On one line, smaller if need be; cut short where even that does not do."""
    text = printable(words)
    while size > 7 and page.stringWidth(text, font, size) > wide * mm:
        size -= 0.5
    while len(text) > 4 and page.stringWidth(text, font, size) > wide * mm:
        text = f"{text[:-4]}..."
    _write(page, x, y, text, size, font)


def _write(page: Canvas, x: float, y: float, words: str, size: float, font: str = REGULAR) -> None:
    page.setFillGray(0)
    page.setFont(font, size)
    page.drawString(x * mm, y * mm, printable(words))
