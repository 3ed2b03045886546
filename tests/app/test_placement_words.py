"""How far balls stood off, in words: only what matters, to the digits known, with the way they lay off."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from app.telling.placement_words import tell_placement
from app.telling.words import tell_attempt
from tests.app.scenario import KICK, TABLE, attempt
from vision.reading import Placement

TRY = attempt((0.98, 0.25), 0.3)


def told(*placement: Placement, ball: str = "cue") -> tuple[str, ...]:
    return tell_placement(replace(TRY, ball=ball, placement=placement))


def test_the_target_ball_off_its_place() -> None:
    off = Placement("red", np.array([0.006, 0.001]), 0.0005, "drill")
    assert told(off) == ("the target ball stood 6 mm from its place, towards the foot rail",)
    assert tell_attempt(replace(TRY, placement=(off,)), KICK, TABLE).remarks == told(off)


def test_which_ball_it_was() -> None:
    cue = Placement("cue", np.array([0.0, -0.012]), 0.0005, "first attempt")
    red = Placement("red", np.array([-0.008, 0.008]), 0.0005, "first attempt")
    assert told(cue, red, ball="red") == (
        "the cue ball stood 12 mm from where it first lay, towards the right rail",
        "the banked ball stood 11 mm from where it first lay, towards the head and left rails",
    )


@pytest.mark.parametrize(
    ("off_mm", "sd_mm", "worth_a_word"),
    [(2.9, 0.1, False), (3.1, 0.1, True), (5.9, 2.0, False), (6.1, 2.0, True), (nan, nan, False), (4.0, nan, True)],
)
def test_beyond_three_millimetres_and_three_deviations(off_mm: float, sd_mm: float, worth_a_word: bool) -> None:
    said = told(Placement("red", np.array([off_mm / 1000, 0.0]), sd_mm / 1000, "drill"))
    assert bool(said) == worth_a_word


def test_digits_follow_the_deviation() -> None:
    (said,) = told(Placement("red", np.array([0.0, 0.0437]), 0.006, "drill"))
    assert "stood 44 mm" in said
