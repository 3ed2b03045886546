"""A reading told at the terminal: also a film without an attempt says what was seen."""

from dataclasses import replace

import pytest

from app.commands.reading_told import MOST_MOVES, print_reading
from tests.app.scenario import reading
from vision.reading import NotAttempt


def told(moves: int, capsys: pytest.CaptureFixture[str]) -> str:
    seen = tuple(NotAttempt(float(k), "the cue ball was moved by hand") for k in range(moves))
    print_reading(replace(reading(), attempts=(), not_attempts=seen), None)
    return capsys.readouterr().out


def test_moves_that_were_no_attempts_are_told_where_there_is_no_attempt(capsys: pytest.CaptureFixture[str]) -> None:
    assert "No attempt at 1.0 s: the cue ball was moved by hand." in told(2, capsys)
    many = told(MOST_MOVES + 3, capsys)
    assert many.count("No attempt at") == MOST_MOVES
    assert "3 more such moves followed." in many


def test_film_without_a_stroke_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert "No cue ball was seen to be struck." in told(0, capsys)


def test_film_with_attempts_tells_these_alone(capsys: pytest.CaptureFixture[str]) -> None:
    print_reading(reading(), None)
    out = capsys.readouterr().out
    assert "No attempt" not in out
    assert "No cue ball" not in out
