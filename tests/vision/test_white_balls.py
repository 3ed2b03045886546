"""Two white balls: the one that is struck is the cue ball, whatever it was called."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.seen import STRUCK_S, TABLE, motion_of, seen
from vision.sightings import Rest
from vision.strokes import Ball
from vision.white_balls import find_strokes_of_white

START, OTHER = (0.6, 0.4), (1.5, 0.9)


def called(balls: list[Ball], names: dict[str, str]) -> list[Ball]:
    return [replace(ball, name=names.get(ball.name, ball.name)) for ball in balls]


@pytest.mark.parametrize("names", [{}, {"cue": "light-2", "light-2": "cue"}])
def test_the_one_that_is_struck_is_the_cue_ball(names: dict[str, str]) -> None:
    balls = seen(motion_of({"cue": START, "light-2": OTHER, "red": (2.2, 0.3)}, 80.0, 1.5))
    strokes, others = find_strokes_of_white(called(balls, names), TABLE, 12.0)
    assert others == []
    assert [s.launch.time_s for s in strokes] == pytest.approx([STRUCK_S], abs=0.006)
    assert strokes[0].rest.at_m == pytest.approx(START)
    assert set(strokes[0].resting) == {"light-2", "red"}
    assert strokes[0].resting["light-2"].at_m == pytest.approx(OTHER)


@pytest.mark.parametrize("names", [{}, {"cue": "light-2", "light-2": "cue"}])
def test_one_white_ball_sent_into_another(names: dict[str, str]) -> None:
    """A bank of a white ball: both set off from where they lay, one after the other."""
    balls = seen(motion_of({"cue": START, "light-2": (1.1, 0.42)}, 2.0, 1.8))
    strokes, _ = find_strokes_of_white(called(balls, names), TABLE, 12.0)
    assert [s.launch.time_s for s in strokes] == pytest.approx([STRUCK_S], abs=0.006)
    assert strokes[0].rest.at_m == pytest.approx(START)
    assert [hit.balls for hit in strokes[0].cue.ball_hits] == [("cue", "light-2")]


def test_a_white_glove_drawn_away_is_not_struck() -> None:
    glove = called(seen(motion_of({"cue": START}, 80.0, 1.5)), {"cue": "light-2"})[0]
    lain = glove.rests[0]
    glove = replace(glove, rests=(replace(lain, first_s=lain.last_s - 0.6), *glove.rests[1:]))
    lying = Ball("cue", (Rest(np.array(OTHER), 0.0002, 0.0, 12.0, 40),), (), ())
    assert find_strokes_of_white([lying, glove], TABLE, 12.0) == ([], [])


def test_a_grey_ball_that_is_hit_is_no_cue_ball() -> None:
    balls = called(seen(motion_of({"cue": START}, 80.0, 1.5)), {"cue": "light"})
    lying = Ball("cue", (Rest(balls[0].rests[0].at_m + 0.5, 0.0002, 0.0, 12.0, 40),), (), ())
    assert find_strokes_of_white([lying, *balls], TABLE, 12.0) == ([], [])
