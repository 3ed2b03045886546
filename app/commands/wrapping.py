"""Sentences and tables as lines of text no wider than the terminal.

Lines break between words; no word, and no figure and its unit, is cut or parted: half of it would be worse than a long
line. Where the columns of a table do not fit side by side even so, every row is told line by line.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from textwrap import wrap

from rich.cells import cell_len

GAP = 2
# A figure stays on one line with its unit: the space between becomes one at which nothing breaks.
HELD = "\N{NO-BREAK SPACE}"
UNIT = re.compile(r"(?<=\d) (?=(?:%|cm|mm|m|in|s|m/s)(?![\w/]))")
# Cells that break into pieces shorter than this are hard to read if they break into more than so many.
LEAST_BROKEN = 12
MOST_LINES = 2
# Told line by line, a value stands this far in at most, so that a long heading leaves room for it.
MOST_INDENT = 24


def sentence_lines(sentence: str, width: int) -> list[str]:
    """A sentence's lines; one that is set in stays so where it breaks, and breaks of its own are kept."""
    lines = []
    for part in sentence.split("\n"):
        margin = " " * (len(part) - len(part.lstrip(" ")))
        lines += _wrapped(UNIT.sub(HELD, part.strip(" ")), width, margin, margin)
    return [line.replace(HELD, " ") for line in lines]


def text_table(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> tuple[list[str], list[str]]:
    """Lines of the heading and lines of the rows; no heading where rows are told line by line."""
    cells = [[UNIT.sub(HELD, cell) for cell in row] for row in rows]
    widths = _widths(columns, cells, width)
    if widths is None:
        return [], [line.replace(HELD, " ") for line in _line_by_line(columns, cells, width)]
    heading = _side_by_side(columns, widths, at_the_bottom=True)
    lines = (line.replace(HELD, " ") for row in cells for line in _side_by_side(row, widths))
    return heading, list(lines)


def _widths(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[int] | None:
    """Widths of the columns, None where they are too wide together even with their cells broken.

    Headings break first; then the widest columns give way, all to the same width, and narrow ones keep theirs.
    """
    everything = list(zip(columns, *rows, strict=True))
    least = [max(cell_len(word) for cell in column for word in cell.split(" ")) for column in everything]
    cells = [max([size, *map(cell_len, column[1:])]) for size, column in zip(least, everything, strict=True)]
    natural = [max(map(cell_len, column)) for column in everything]
    room = width - GAP * (len(columns) - 1)
    for narrow, wide in ((cells, natural), (least, cells)):
        for most in range(max(wide), 0, -1):
            widths = [max(low, min(high, most)) for low, high in zip(narrow, wide, strict=True)]
            if sum(widths) <= room:
                return widths if most >= LEAST_BROKEN or _tallest(rows, widths) <= MOST_LINES else None
    return None


def _tallest(rows: Sequence[Sequence[str]], widths: Sequence[int]) -> int:
    return max((len(_wrapped(cell, size)) for row in rows for cell, size in zip(row, widths, strict=True)), default=1)


def _side_by_side(row: Sequence[str], widths: Sequence[int], at_the_bottom: bool = False) -> list[str]:
    """One row's lines; a heading's short cells stand at the bottom, over their figures."""
    wrapped = [_wrapped(cell, size) for cell, size in zip(row, widths, strict=True)]
    if at_the_bottom:
        most = max(map(len, wrapped))
        wrapped = [[""] * (most - len(cell)) + cell for cell in wrapped]
    return [
        (" " * GAP).join(_padded(part, size) for part, size in zip(parts, widths, strict=True)).rstrip()
        for parts in zip_longest(*wrapped, fillvalue="")
    ]


def _line_by_line(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> Iterator[str]:
    indent = min(max(map(len, columns)) + 2 * GAP, MOST_INDENT)
    for row in rows:
        for k, (column, cell) in enumerate(zip(columns, row, strict=True)):
            label = f"{'' if k == 0 else ' ' * GAP}{column}"
            begin = _padded(label, indent) if len(label) < indent else label + " "
            if cell:
                yield from _wrapped(cell, width, begin, " " * indent)


def _wrapped(cell: str, size: int, begin: str = "", margin: str = "") -> list[str]:
    found = wrap(
        cell,
        size,
        initial_indent=begin,
        subsequent_indent=margin,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return found or [""]


def _padded(part: str, size: int) -> str:
    """Like str.ljust, for letters of double width too."""
    return part + " " * (size - cell_len(part))
