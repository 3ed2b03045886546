"""Balls knocked back with the stick to the next set-up are no attempts; strokes like them but for one thing are."""

from dataclasses import replace
from math import atan2, degrees, sqrt

import numpy as np
import pytest

from tests.rendering import STRAIGHT
from tests.rendering.motion import GRAVITY_MPS2
from tests.vision.aimed import ERRORS
from tests.vision.seen import motion_of, only_stroke, seen
from vision.no_attempt.knocked_back import without_knocked_back
from vision.shot import Shot
from vision.sorting import Tried, try_shots

SHOT = Shot("left", "kick", ("left",), "pocketed", target_pocket="foot-right")
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
START = (0.9, 0.3)


def tried(start_m: tuple[float, float], bearing_deg: float, speed_mps: float, shot: Shot = SHOT) -> Tried:
    motion = motion_of({"cue": start_m}, bearing_deg, speed_mps, physics=STRAIGHT)
    return try_shots(only_stroke(seen(motion, fps=30.0, until_s=15.0), until_s=15.0), [shot], ERRORS, or_none=False)


def place(at_m: np.ndarray) -> tuple[float, float]:  # type: ignore[type-arg]
    return float(at_m[0]), float(at_m[1])


def sent(from_m: tuple[float, float], to_m: tuple[float, float], shot: Shot = SHOT) -> Tried:
    """A stroke that lets the ball roll out where it is wanted."""
    way = np.subtract(to_m, from_m)
    # Sliding takes two sevenths of the speed, rolling the rest over the distance.
    speed = 1.4 * sqrt(2 * STRAIGHT.roll * GRAVITY_MPS2 * 0.93 * float(np.hypot(*way)))
    return tried(from_m, degrees(atan2(way[1], way[0])), speed, shot)


@pytest.fixture(scope="module")
def attempt() -> Tried:
    """A kick that missed, its cue ball at rest somewhere on the table."""
    found = tried(START, 62.0, 1.9)
    assert [c.rail for c in found.by_shot[0].contacts][:1] == ["left"]
    return found


@pytest.mark.parametrize("beside_m", [(0.10, 0.05), (-0.25, 0.2), (0.03, -0.04)])
def test_ball_knocked_back_is_no_attempt(attempt: Tried, beside_m: tuple[float, float]) -> None:
    back = sent(place(attempt.cue_end_m), (START[0] + beside_m[0], START[1] + beside_m[1]))
    kept, others = without_knocked_back([attempt, back, attempt], [SHOT])
    assert kept == [attempt, attempt]
    assert [o.why for o in others] == ["the cue ball was knocked back towards the next set-up"]
    assert others[0].t_s == back.by_shot[0].t_s


def test_ball_knocked_back_in_two_strokes(attempt: Tried) -> None:
    half = sent(place(attempt.cue_end_m), (1.3, 0.7))
    rest = sent(place(half.cue_end_m), (1.0, 0.36))
    kept, others = without_knocked_back([attempt, half, rest, attempt], [SHOT])
    assert kept == [attempt, attempt]
    assert len(others) == 2


def test_in_a_film_of_banks_too(attempt: Tried) -> None:
    as_bank = replace(attempt, by_shot=tried(START, 62.0, 1.9, BANK).by_shot)
    back = sent(place(attempt.cue_end_m), (1.0, 0.35), BANK)
    assert without_knocked_back([as_bank, back, as_bank], [BANK])[0] == [as_bank, as_bank]


def test_attempt_that_stopped_short_is_one(attempt: Tried) -> None:
    """It was set up by hand, as attempts are."""
    short = sent((1.9, 0.4), (1.0, 0.36))
    assert without_knocked_back([attempt, short, attempt], [SHOT]) == ([attempt, short, attempt], [])


def test_play_that_goes_on_is_kept(attempt: Tried) -> None:
    """The next stroke is made from where this one left the ball."""
    soft = sent(place(attempt.cue_end_m), (1.0, 0.36))
    onward = tried(place(soft.cue_end_m), 62.0, 1.9)
    assert without_knocked_back([attempt, soft, onward], [SHOT])[0] == [attempt, soft, onward]


def test_stroke_that_takes_its_rails_is_an_attempt(attempt: Tried) -> None:
    again = tried(place(attempt.cue_end_m), 100.0, 1.6)
    assert [c.rail for c in again.by_shot[0].contacts][:1] == ["left"]
    beside = (float(again.cue_end_m[0]) + 0.1, float(again.cue_end_m[1]))
    following = tried(beside, 62.0, 1.9)
    assert without_knocked_back([attempt, again, following], [SHOT])[1] == []


def test_ball_sent_elsewhere_is_a_stroke(attempt: Tried) -> None:
    away = sent(place(attempt.cue_end_m), (2.2, 0.9))
    assert without_knocked_back([attempt, away, attempt], [SHOT])[1] == []


def test_last_stroke_of_a_film_and_none_at_all(attempt: Tried) -> None:
    back = sent(place(attempt.cue_end_m), (1.0, 0.36))
    assert without_knocked_back([attempt, back], [SHOT]) == ([attempt, back], [])
    assert without_knocked_back([], [SHOT]) == ([], [])
