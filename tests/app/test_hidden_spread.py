"""Lines that agree better than their own errors would have them: when that is a steady stroke, and when it is not."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest
from sqlalchemy import Engine

from app.entry.lines import check_lines, log_lines
from app.store.logged import LoggedAttempt
from app.stroke.from_log import ShotStroke, StrokeQuestion, strokes_of, strokes_of_log
from app.stroke.stroke_json import stroke_json
from app.telling.stroke_tables import stroke_figures
from app.telling.stroke_words import stroke_words
from tests.app.scenario import TABLE
from tests.app.strokes import DAY, KICK, library, practice

COARSE = (
    "start 6 by 1, through 3.25, made",
    "start 6 by 1, through 3.25, made",
    "start 6 by 1, through 3.25, long half a ball",
    "start 5 by 1, through 3, made",
    "start 5 by 1, through 3, made",
    "start 5 by 1, through 3, short half a ball",
)


def told_to(sd_rad: float, rows: list[LoggedAttempt]) -> list[LoggedAttempt]:
    return [replace(one, attempt=replace(one.attempt, bearing_sd_rad=sd_rad)) for one in rows]


def of(rows: list[LoggedAttempt]) -> ShotStroke:
    (found,), _ = strokes_of(rows, library(KICK))
    return found


def test_a_few_coarse_entries_by_hand_tell_no_spread(engine: Engine) -> None:
    log_lines(engine, check_lines(COARSE, KICK, TABLE), KICK, TABLE, player="A", at=DAY)
    answer = strokes_of_log(engine, StrokeQuestion())
    (found,) = answer.strokes
    said = " ".join(stroke_words(found))
    assert "The 6 lines differ by no more than the error to which each is known, 1.0°: the spread" in said
    assert "cannot be told from them yet" in said
    assert "scatters" not in said
    assert "4 of 6 made. No rate can be expected: the spread is not known." in said
    # Where the lines go on the mean is told all the same.
    assert "On the mean the lines pass" in said
    assert (found.expected.tries, answer.together[0].spread.known) == (0, False)
    cells = stroke_figures(answer)[0].rows[0]
    assert "0.000°" not in cells
    assert "100 %" not in " ".join(cells)
    spread = stroke_json(answer)["strokes"][0]["spread"]
    assert (spread["lines"], spread["spread_deg"], spread["high_deg"]) == (6, None, None)


@pytest.mark.parametrize("sd_deg", [0.01, 0.04])
def test_lines_known_well_that_agree_are_a_steady_stroke(sd_deg: float) -> None:
    """The same agreement of lines whose errors are small beside the margins does tell that nothing is lost by them."""
    found = of(told_to(radians(sd_deg), practice(KICK, np.random.default_rng(3), 0.0, each=4)))
    assert found.stroke.spread.known
    assert found.expected.tries == 20
    assert found.expected.rate > 0.99
    assert "cannot be told" not in " ".join(stroke_words(found))


def test_no_interval_is_told_that_holds_nothing() -> None:
    """Errors stated larger than the lines differ, and still small beside the margins."""
    rows = told_to(radians(0.04), practice(KICK, np.random.default_rng(3), 0.0, each=4))
    found = of([replace(a, attempt=replace(a.attempt, bearing_sd_rad=radians(0.2))) for a in rows])
    assert found.stroke.spread.high_rad == 0
    said = stroke_words(found)
    assert said[0] == "The lines agree as nearly as they can be measured."
    assert "scatters" not in " ".join(said)


def test_a_spread_larger_than_the_lines_errors_is_told_however_coarse_they_are() -> None:
    rows = practice(KICK, np.random.default_rng(4), radians(2.0), each=6)
    found = of(told_to(radians(0.7), rows))
    assert found.stroke.spread.low_rad < radians(2.0) < found.stroke.spread.high_rad
    assert found.expected.tries == 30


def test_a_shot_whose_lines_hide_the_spread_borrows_that_of_the_others() -> None:
    coarse = told_to(radians(1.0), practice(KICK, np.random.default_rng(3), 0.0, each=2))
    other = replace(KICK, name="another kick to the corner")
    rest = [
        replace(a, shot_name=other.name, id=a.id + 5000)
        for a in practice(KICK, np.random.default_rng(5), radians(0.4), each=6)
    ]
    strokes, (together,) = strokes_of([*coarse, *rest], library(KICK, other))
    found = next(s for s in strokes if s.shot.name == KICK.name)
    assert not found.stroke.spread.known
    assert found.stroke.by is together.spread
    assert found.expected.tries == 10
