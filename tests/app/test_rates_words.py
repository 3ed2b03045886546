"""Make-rates in words: golden sentences, and columns that stand only where they say something."""

import csv
from dataclasses import replace
from datetime import UTC, datetime
from io import StringIO
from math import nan

import pytest

from app.rates.from_log import Answer, Question
from app.rates.make_rates import compare_rates, make_rate, make_rates
from app.rates.tries import CutClass, Try
from app.telling.rates_drawing import draw_rates
from app.telling.rates_words import CSV_COLUMNS, apart_words, leaning, percent, rate_figures, rate_words, write_rates
from tests.app.scenario import TABLE


def tries(made: int, missed: int = 0, unclear: int = 0, cut: CutClass | None = None, along: float = 2.5) -> list[Try]:
    outcomes = ["made"] * made + ["missed"] * missed + ["unclear"] * unclear
    sides = {"made": "not known", "missed": "short", "unclear": "not known"}
    at = datetime(2026, 3, 1, tzinfo=UTC)
    return [Try("a shot", "A", at, along, 1.0, outcome, sides[outcome], False, cut) for outcome in outcomes]


def answer(those: list[Try]) -> Answer:
    return Answer(Question(), make_rates(those), "foot-right", TABLE, None, ("A",))


def test_sentences() -> None:
    # 7 of 10 by Wilson: 0.3968 to 0.8922.
    assert rate_words(make_rate("x", tries(7, 3))) == "7 of 10 made, 70 % (95 %: 40 to 89 %)"
    assert rate_words(make_rate("x", tries(7, 3, 2))).endswith("; 2 unclear")
    assert rate_words(make_rate("x", tries(0, 0, 1))) == "no try counted; 1 unclear"
    assert percent(nan) == "–"


def test_differences() -> None:
    # 56 of 70 against 48 of 80: 0.20 (0.0524 to 0.3339), Newcombe's own example, from memory.
    clear = compare_rates(("A", "B"), tries(56, 14), tries(48, 32))
    assert apart_words(clear) == "A less B: +20 percentage points (95 %: +5 to +33), more than chance."
    unsure = compare_rates(("A", "B"), tries(1, 1), tries(2, 1))
    assert "no more than chance may give" in apart_words(unsure)
    assert "cannot be compared" in apart_words(compare_rates(("A", "B"), tries(1), []))


def test_misses_that_lean_are_told() -> None:
    those = [replace(t, side="long") if k < 14 else t for k, t in enumerate(tries(0, 17))]
    said = leaning(make_rates(those))
    assert said[0] == "All tries: the misses go long more often than chance gives (14 long, 3 short)."
    # All lie in one cell, in which they stand out as well.
    assert len(said) == 2
    even = [replace(t, side="long") if k < 8 else t for k, t in enumerate(tries(0, 17))]
    assert leaning(make_rates(even)) == []
    # 5 of 5 to one side, one chance in sixteen, is told for no cell; nor would it be for all.
    few = [replace(t, along=k + 0.5, side="long" if k % 2 else "short") for k in range(4) for t in tries(0, 5)]
    assert leaning(make_rates(few)) == []
    # 7 of 7, one in sixty-four, would be for all tries, and is not for one place of four.
    seven = [replace(t, along=k + 0.5, side="long" if k % 2 else "short") for k in range(4) for t in tries(0, 7)]
    assert leaning(make_rates(seven)) == []
    assert len(leaning(make_rates(seven[:7]))) == 2


def test_figures() -> None:
    plain = rate_figures(answer(tries(3, 2)))
    assert [f.heading for f in plain] == ["All tries", "By place"]
    assert all("unclear" not in f.columns for f in plain)
    assert plain[1].rows == (("2 to 3 along", "3 of 5", "60 %", "23 to 88 %", plain[1].rows[0][4], "2 short"),)
    banks = rate_figures(answer(tries(3, 2, 1, "straight") + tries(1, 4, 0, "back cut", nan)))
    assert [f.heading for f in banks] == ["All tries", "By cut", "By place"]
    assert [row[0] for row in banks[1].rows] == ["straight", "back cut"]
    assert "5 with no measured start left out." in banks[2].note
    # What evening out means is said once.
    assert sum("Evened out" in f.note for f in banks) == 1


def test_table_for_a_spreadsheet() -> None:
    text = StringIO()
    asked = answer(tries(0, 0, 1))
    write_rates(replace(asked, rates=make_rates(tries(0, 0, 1))), text)
    header, first, *_ = text.getvalue().splitlines()
    assert tuple(header.split(",")) == CSV_COLUMNS
    assert first == "all,all tries,0,0,1,,,,,,0,0,0,,,,,,,,0,"
    # Seven misses to one side: twice one in 128.
    text = StringIO()
    write_rates(answer([replace(t, side="long") for t in tries(2, 7)]), text)
    (row, *_) = csv.DictReader(text.getvalue().splitlines())
    assert (row["long"], row["short"], float(row["lean_chance"])) == ("7", "0", pytest.approx(2 / 128, abs=5e-5))


@pytest.mark.parametrize(("size", "labelled"), [(1.0, True), (0.5, False)])
def test_small_cells_have_no_figures_in_the_picture(size: float, labelled: bool) -> None:
    asked = replace(answer([]), rates=make_rates(tries(3, 2), "table", size))
    picture = draw_rates(asked, standalone=True)
    assert ("3 of 5</text>" in picture) is labelled
    assert "3 of 5 made, 60 %" in picture
    assert "<style>" in picture
