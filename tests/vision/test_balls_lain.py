"""Films in which nothing was struck because there was no cue ball to be struck."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from calibration.camera import Setup
from tests.rendering import Try, render_clip
from tests.rendering.balls import RED, YELLOW
from tests.vision.one_kick import CAMERA, HANGING, KICK, TABLE
from vision.balls_lain import BallsLain
from vision.read import read_clip
from vision.sightings import Rest
from vision.strokes import Ball


def lain(name: str, *lay_s: float) -> Ball:
    return Ball(name, tuple(Rest(np.ones(2), 0.001, 4.0, 4.0 + s, 9) for s in lay_s), (), ())


@pytest.mark.parametrize(
    ("balls", "words"),
    [
        ([], "no ball was seen"),
        ([lain("red", 0.2), lain("cue", 0.4)], "no ball was seen"),
        ([lain("red", 3.0), lain("red-2", 3.0), lain("blue", 3.0)], "only blue and red ones:"),
        ([lain("yellow", 3.0), lain("cue", 0.3)], "only yellow ones:"),
    ],
)
def test_what_lay_there_is_told(balls: Sequence[Ball], words: str) -> None:
    seen = BallsLain()
    seen.take(balls)
    assert words in (seen.why_no_stroke(9.0) or "")


def test_nothing_is_told_where_a_cue_ball_lay_in_some_stretch() -> None:
    seen = BallsLain()
    seen.take([lain("red", 3.0)])
    seen.take([lain("cue", 0.6, 0.7)])
    seen.take([lain("red", 3.0)])
    assert seen.why_no_stroke(9.0) is None


@pytest.mark.parametrize(("film_s", "words"), [(0.0, "is a single picture:"), (0.7, "lasts only 0.7 s:")])
def test_film_too_short_for_a_ball_to_lie_says_so(film_s: float, words: str) -> None:
    seen = BallsLain()
    seen.take([lain("cue", film_s)])
    assert f"the film {words} too little" in (seen.why_no_stroke(film_s) or "")


def test_film_of_a_yellow_ball_struck_says_that_no_white_one_lay_there(tmp_path: Path) -> None:
    path = tmp_path / "yellow.mp4"
    attempt = Try({"cue": (0.9, 0.3), "red": HANGING}, 50.0, 2.2, wait_s=1.5, watch_s=1.5)
    dress = {"cue": (YELLOW, "plain"), "red": (RED, "disc")}
    render_clip(path, CAMERA, TABLE, [attempt], fps=30, dress=dress, sub_exposures=2)
    reading = read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert reading.attempts == ()
    (warning,) = reading.warnings
    assert warning.startswith("no white ball was seen to lie on the table, only red and yellow ones: ")
