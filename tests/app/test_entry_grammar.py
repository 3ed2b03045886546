"""Lines of words: every form understood, every mistake named with the words that would do."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.entry.grammar import MOST_CHARACTERS, parse_line
from app.entry.line_parts import BallAt, Line, OverSight
from app.entry.numbers import Said, take_number
from app.entry.vocabulary import EXAMPLE, PARTS, SPEEDS, how_to, words_markdown, words_table
from calibration.errors import InputError
from tests.reference import README
from vision.shot import SPEED_WORDS_MPS

REST = "start 2.5, through 3.25, made"


def result_of(part: str) -> tuple[str, str | None, float | None, str]:
    r = parse_line(f"start 2.5, through 3.25, {part}").result
    return r.outcome, r.side, None if r.amount is None else r.amount.value, r.unit


def wrong(line: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_line(line)
    return str(caught.value).splitlines()


def read_or_wrong(line: str) -> Line | str:
    try:
        return parse_line(line)
    except InputError as error:
        return str(error).strip()


def test_the_example_says_what_it_says() -> None:
    line = parse_line(EXAMPLE)
    assert line.start == OverSight(Said(2.5, 0.1))
    assert line.through == OverSight(Said(3.25, 0.01))
    assert (line.result.outcome, line.result.side, line.result.unit) == ("missed", "long", "ball")
    assert line.result.amount == Said(0.5, 0.5)
    assert (line.speed, line.english, line.tips, line.scratch, line.note) == ("medium", "none", None, False, "")


def test_parts_stand_in_any_order() -> None:
    parts = EXAMPLE.split(", ")
    assert all(
        parse_line(", ".join(parts[k:] + parts[:k])) == replace_text(parse_line(EXAMPLE), parts[k:] + parts[:k])
        for k in range(len(parts))
    )


def replace_text(line: Line, parts: list[str]) -> Line:
    return Line(**{**line.__dict__, "text": ", ".join(parts)})


def test_every_form_of_the_table_is_understood() -> None:
    """What the errors, the help and the README advise to write can be read."""
    others = {"start": "start 2.5", "line": "through 3.25", "result": "made"}
    for part in PARTS:
        for form in part.write:
            rest = [text for name, text in others.items() if name != part.name]
            parse_line(", ".join([*rest, form]))


@pytest.mark.parametrize(
    ("said", "outcome", "side", "amount", "unit"),
    [
        ("made", "made", None, None, "ball"),
        ("made it", "made", None, None, "ball"),
        ("missed", "missed", None, None, "ball"),
        ("missed, no idea how far", "missed", None, None, "ball"),
        ("unclear", "unclear", None, None, "ball"),
        ("long half a ball", "missed", "long", 0.5, "ball"),
        ("half ball long", "missed", "long", 0.5, "ball"),
        ("a half ball long", "missed", "long", 0.5, "ball"),
        ("half-ball long", "missed", "long", 0.5, "ball"),
        ("long by ½ ball", "missed", "long", 0.5, "ball"),
        ("long by a ball and a half", "missed", "long", 1.5, "ball"),
        ("missed long by two balls", "missed", "long", 2.0, "ball"),
        ("three quarters of a ball short", "missed", "short", 0.75, "ball"),
        ("short 1 1/2 ball-widths", "missed", "short", 1.5, "ball"),
        ("short 1,5 balls", "missed", "short", 1.5, "ball"),
        ("short 0.3 sights", "missed", "short", 0.3, "sight"),
        ("short a quarter of a diamond", "missed", "short", 0.25, "sight"),
        ("left by 3cm", "missed", "left", 3.0, "cm"),
        ('right 2"', "missed", "right", 2.0, "in"),
        ("right two inches", "missed", "right", 2.0, "in"),
        ("thin 1/4 ball", "missed", "thin", 0.25, "ball"),
        ("too full by half a ball", "missed", "full", 0.5, "ball"),
        ("long", "missed", "long", None, "ball"),
        ("long, no idea how far", "missed", "long", None, "ball"),
        ("missed left", "missed", "left", None, "ball"),
        ("made, long a quarter of a ball", "made", "long", 0.25, "ball"),
    ],
)
def test_results(said: str, outcome: str, side: str | None, amount: float | None, unit: str) -> None:
    assert result_of(said) == (outcome, side, amount, unit)


@pytest.mark.parametrize(
    ("said", "english", "tips"),
    [
        ("no english", "none", None),
        ("no side", "none", None),
        ("running", "running", None),
        ("reverse english", "reverse", None),
        ("1 tip left", "left", 1.0),
        ("half a tip of right english", "right", 0.5),
        ("left-hand english", "left", None),
    ],
)
def test_english(said: str, english: str, tips: float | None) -> None:
    line = parse_line(f"{REST}, {said}")
    assert (line.english, line.tips) == (english, tips)


@pytest.mark.parametrize(
    ("said", "speed"),
    [
        ("soft", "soft"),
        ("firm stroke", "firm"),
        ("medium speed", "medium"),
        ("2.3 m/s", 2.3),
        ("9 km/h", 2.5),
        ("5 mph", 2.2352),
    ],
)
def test_speeds(said: str, speed: str | float) -> None:
    found = parse_line(f"{REST}, {said}").speed
    assert found == (speed if isinstance(speed, str) else pytest.approx(speed))


@pytest.mark.parametrize(
    ("said", "along", "across", "unit"),
    [
        ("start 2 by 1.5", 2, 1.5, "sight"),
        ("start at 2 x 1.5", 2, 1.5, "sight"),
        ("ball at 2 by one and a half", 2, 1.5, "sight"),
        ("start 6.4 along, 0.9 across", 6.4, 0.9, "sight"),
        ("start 6.4 along and 0.9 across", 6.4, 0.9, "sight"),
        ("start 64 by 32 cm", 64, 32, "cm"),
        ("from 64cm by 32cm", 64, 32, "cm"),
        ("start 25 by 12.5 in", 25, 12.5, "in"),
    ],
)
def test_starts_by_two_numbers(said: str, along: float, across: float, unit: str) -> None:
    start = parse_line(f"{said}, through 3.25, made").start
    assert isinstance(start, BallAt)
    assert (start.along.value, start.across.value, start.unit) == (along, across, unit)


@pytest.mark.parametrize(
    ("said", "count", "at", "rail"),
    [
        ("through 3 1/4", 3.25, "sight", None),
        ("thru three and a quarter", 3.25, "sight", None),
        ("through sight 3.25 of the left rail", 3.25, "sight", "left"),
        ("through 3.25 at the nose", 3.25, "nose", None),
        ("nose 3.25", 3.25, "nose", None),
        ("through the nose opposite 3,25", 3.25, "nose", None),
    ],
)
def test_lines(said: str, count: float, at: str, rail: str | None) -> None:
    through = parse_line(f"start 2.5, {said}, made").through
    assert (through.count.value, through.at, through.rail) == (count, at, rail)


def test_about_is_kept() -> None:
    assert parse_line("start about 2.5, through 3.25, made").start.count.about  # type: ignore[union-attr]


def test_a_note_goes_on_to_the_end_with_its_commas_and_capitals() -> None:
    assert parse_line(f"{REST}, Note Chalked late, then shot").note == "Chalked late, then shot"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("strat 2.5, through 3.25, made", "'strat 2.5' cannot be read (do you mean 'start'?)"),
        ("start 2.5, throgh 3.25, made", "do you mean 'through'?"),
        ("start 2.5, through 3.25, lnog 2 balls", "do you mean 'long'?"),
        ("through 3.25, made", 'the start is missing; write "start 2.5"'),
        ("start 2.5, made", 'the line is missing; write "through 3.25"'),
        ("start 2.5, through 3.25", 'the result is missing; write "made"'),
        ("start 2.5, through 3.25, long 3", "'long 3' does not say of what"),
        ("start 2.5, through 3.25, missed by a ball", "does not say to which side"),
        ("start 2.5, through 3.25, left", '"missed left" or "left english"'),
        ("start 2.5, through 3.25, long short", "tells two results"),
        ("start 2.5, through 3.25, made, missed", "the result is told twice"),
        ("start 2.5, through 3.25, long a ball, long 2 balls", "the result is told twice"),
        ("start 2.5, start 3, through 3.25, made", "the start is told twice"),
        ("start 2.5, through 3.25, made, soft, firm", "the speed is told twice"),
        ("start 2 by, through 3.25, made", "lacks the second number"),
        ("start 2 along, through 3.25, made", "add how far across"),
        ("0.9 across, through 3.25, made", "told without how far along"),
        ("start 60 cm by 2 in, through 3.25, made", "has two units"),
        ("start 2 half, through 3.25, made", "'half' in 'start 2 half' cannot be read"),
        ("start 2.5 3, through 3.25, made", "'3' in 'start 2.5 3' cannot be read"),
        ("start two, through x, made", "cannot be read as a line"),
        ("start 2.5, through, made", "lacks its number"),
        ("start 2.5, through 3.25, made, 2 tips", "does not tell one kind of english"),
        ("start 2.5, through 3.25, made, 9 tips left", "cannot be so many tips"),
        ("start 2.5, through 3.25, made, 99 m/s", "no speed of a ball"),
        ("start 2.5, through 3.25, made, soft medium", "cannot be read as a speed"),
        ("start -2, through 3.25, made", "cannot be read as a start"),
        ("start 2.5, through 1/0, made", "cannot be read"),
        ("", 'the start is missing; write "start 2.5"'),
        ("x" * (MOST_CHARACTERS + 1), "characters"),
    ],
)
def test_mistakes_are_named_with_the_words_that_would_do(line: str, words: str) -> None:
    told = wrong(line)
    assert any(words in sentence for sentence in told), told
    assert all(sentence.endswith(".") for sentence in told)


def test_every_bad_part_gets_a_sentence() -> None:
    told = wrong("strat 2.5, throgh 3, lnog 2 balls, quick")
    assert len(told) == 4
    assert all(
        re.search(rf"^'{part}", sentence)
        for part, sentence in zip(("strat", "throgh", "lnog", "quick"), told, strict=True)
    )


@settings(derandomize=True, deadline=None)
@given(st.text(max_size=80))
def test_no_text_does_worse_than_a_sentence(text: str) -> None:
    assert read_or_wrong(text)


@settings(derandomize=True, deadline=None)
@given(
    st.lists(
        st.sampled_from([*"0123456789.,/'- ", "start ", "through ", "by ", "half ", "a ", "ball ", "and ", "long "]),
        max_size=25,
    )
)
def test_no_words_of_ours_in_disorder_do_worse_either(pieces: list[str]) -> None:
    assert read_or_wrong("".join(pieces))


@settings(derandomize=True, deadline=None)
@given(
    st.integers(0, 12), st.sampled_from([(0, ""), (0.25, " 1/4"), (0.5, " and a half"), (0.75, " and three quarters")])
)
def test_numbers_as_they_are_said(whole: int, part: tuple[float, str]) -> None:
    words = (str(whole) + part[1]).replace("/", " / ").split()
    found = take_number(words, 0)
    assert found is not None
    assert found == (
        Said(whole + part[0], 0.25 if "4" in part[1] or "quarter" in part[1] else 0.5 if part[0] else 1.0),
        len(words),
    )


def test_the_table_holds_the_shot_files_speeds_and_the_readme_shows_it() -> None:
    assert set(SPEEDS) == set(SPEED_WORDS_MPS)
    assert len(words_table()) == len(PARTS)
    assert how_to("line") == '"through 3.25" or "through 3.25 at the nose"'
    assert words_markdown() in README.read_text(encoding="utf-8")
