"""Lines no wider than the terminal: words whole, figures beside their units, narrow columns kept, else line by line."""

import random

import pytest

from app.commands.wrapping import sentence_lines, text_table

COLUMNS = ("start", "misses by", "good to pocket")
ROWS = (("6, 1", "14 cm long", "from 0 of 9; 2 cannot be told"), ("5.25, 2", "9.1 cm", "–"))


def test_a_table_that_fits_stays_as_it_is() -> None:
    heading, lines = text_table(COLUMNS, ROWS, 80)
    assert heading == ["start    misses by   good to pocket"]
    assert lines == ["6, 1     14 cm long  from 0 of 9; 2 cannot be told", "5.25, 2  9.1 cm      –"]


def test_the_widest_column_gives_way() -> None:
    heading, lines = text_table(COLUMNS, ROWS, 40)
    assert heading == ["start    misses by   good to pocket"]
    assert lines[:2] == ["6, 1     14 cm long  from 0 of 9; 2", "                     cannot be told"]


def test_too_narrow_for_columns() -> None:
    heading, lines = text_table(COLUMNS, ROWS, 24)
    assert heading == []
    assert lines[:2] == ["start             6, 1", "  misses by       14 cm"]
    assert lines[2] == "                  long"


def test_a_heading_breaks_first_and_stands_at_the_bottom() -> None:
    heading, lines = text_table(("No.", "where the line passes"), (("1", "3.25"),), 16)
    assert heading == ["     where the", "No.  line passes"]
    assert lines == ["1    3.25"]


def test_sentences_keep_their_indent_and_units() -> None:
    told = sentence_lines("  The ellipse reaches 34 cm either way, 19 times in 20.", 24)
    assert told == ["  The ellipse reaches", "  34 cm either way, 19", "  times in 20."]
    assert sentence_lines("", 20) == [""]
    assert sentence_lines("Saved to /a/long/path/of/a/file.png.", 12) == ["Saved to", "/a/long/path/of/a/file.png."]


@pytest.mark.parametrize("width", [30, 47, 60, 80, 120])
def test_nothing_is_lost_or_too_wide(width: int) -> None:
    random_ = random.Random(5)
    for _ in range(60):
        columns = [" ".join(_words(random_, 3)) for _ in range(random_.randint(1, 7))]
        rows = [[" ".join(_words(random_, 6)) for _ in columns] for _ in range(4)]
        heading, lines = text_table(columns, rows, width)
        assert all(len(line) <= width for line in heading + lines)
        told = " ".join(heading + lines).split()
        for cell in [*columns, *(cell for row in rows for cell in row)]:
            assert not set(cell.split()) - set(told)


def _words(random_: random.Random, most: int) -> list[str]:
    return ["".join(random_.choices("abcde", k=random_.randint(1, 5))) for _ in range(random_.randint(1, most))]
