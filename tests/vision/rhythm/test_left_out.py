"""Films that leave pictures out by turns: told by how balls leap, and times put back; never where none is left out."""

from fractions import Fraction

import numpy as np
import pytest

from calibration.table import Vector
from vision.outlines.outline import BallView
from vision.rhythm.leaps import Step
from vision.rhythm.left_out import RATIOS, turns_of
from vision.sightings import Sighting
from vision.track import Track

NOISE_M = 0.0004


def track_of(taken_s: Vector, shown_s: Vector, *, bounce_s: float = 1.1, seed: int = 0) -> Track:
    """A ball at 2 m/s, slowing, that comes off a rail, seen at some moments and shown at others."""
    rng = np.random.default_rng(seed)
    way = 2.0 * taken_s - 0.15 * taken_s**2
    turned = np.where(taken_s > bounce_s, way - (2.0 * bounce_s - 0.15 * bounce_s**2), 0.0)
    places = np.stack([0.2 + 0.6 * way, 0.1 + 0.7 * way - 1.3 * turned], axis=1) + rng.normal(0, NOISE_M, (len(way), 2))
    path = [Sighting(float(t), at, NOISE_M, False) for t, at in zip(shown_s, places, strict=True)]
    view = BallView(places[-1], NOISE_M, np.zeros(2), np.zeros(3), 1.0)
    return Track(1, np.zeros(3), view, float(shown_s[-1]), path=path, frames=len(path))


def shown(ratio: Fraction, fps: float, begin: int, length_s: float = 2.4) -> tuple[Vector, Vector]:
    """When the pictures of a film were taken and when they are shown, (n,) each; the ball's time begins at 0."""
    numbers = np.arange(begin, begin + round(length_s * fps))
    taken_s = np.floor(numbers * float(ratio) + 1e-9) / float(ratio) / fps
    return taken_s - begin / fps, numbers / fps


@pytest.mark.parametrize("begin", [0, 7, 101])
@pytest.mark.parametrize("ratio", RATIOS, ids=str)
def test_times_are_put_back(ratio: Fraction, begin: int) -> None:
    taken_s, shown_s = shown(ratio, 24.0, begin)
    turns = turns_of([track_of(taken_s, shown_s, seed=begin)])
    assert turns is not None
    back_s = np.array([turns.taken_s(float(t)) for t in shown_s])
    # But for a constant: nobody knows how late the pictures are shown.
    off_s = back_s - taken_s
    assert np.ptp(off_s) < 0.001
    assert np.abs(back_s - shown_s).max() < 1 / 24


@pytest.mark.parametrize("fps", [15.0, 24.0, 30.0, 59.94, 120.0])
def test_even_films_are_left_as_they_are(fps: float) -> None:
    for seed in range(8):
        times = np.arange(round(2.4 * fps)) / fps
        assert turns_of([track_of(times, times + 3.0, bounce_s=0.5 + 0.1 * seed, seed=seed)]) is None


def test_pictures_that_are_missing_with_true_times_are_left_as_they_are() -> None:
    times = np.delete(np.arange(72) / 30, np.arange(4, 72, 5))
    assert turns_of([track_of(times, times)]) is None


def test_varying_times_are_left_as_they_are() -> None:
    times = np.cumsum(np.random.default_rng(3).uniform(0.025, 0.042, 72))
    assert turns_of([track_of(times, times)]) is None


def test_pictures_lost_now_and_then_show_no_turns() -> None:
    taken = np.delete(np.arange(75), [11, 30, 38])
    steps: list[Step] = []
    assert turns_of([track_of(taken / 30, np.arange(72) / 30)], steps) is None
    # But that they are lost is told.
    assert [round(30 * step.time_s) for step in steps if step.leapt] == [10, 28, 35]


@pytest.mark.parametrize("begin", [0, 7])
@pytest.mark.parametrize("every", [6, 8, 10, 15])
def test_one_picture_in_many_that_is_left_out_is_told(every: int, begin: int) -> None:
    ratio = Fraction(every, every - 1)
    taken_s, shown_s = shown(ratio, 30 / float(ratio), begin)
    turns = turns_of([track_of(taken_s, shown_s, seed=begin)])
    assert turns is not None
    assert turns.ratio == ratio
    back_s = np.array([turns.taken_s(float(t)) for t in shown_s])
    assert np.ptp(back_s - taken_s) < 0.001


def test_one_picture_in_very_many_is_told_by_all_of_the_film_until_then() -> None:
    ratio, steps = Fraction(25, 24), list[Step]()
    for begin, told in ((0, False), (400, True)):
        taken_s, shown_s = shown(ratio, 24.0, begin)
        turns = turns_of([track_of(taken_s, shown_s, seed=begin)], steps)
        assert (turns is not None) == told
    assert turns is not None
    assert turns.ratio == ratio


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_no_ball_leaps_in_even_films(fps: float) -> None:
    steps: list[Step] = []
    for seed in range(20):
        times = np.arange(round(2.4 * fps)) / fps
        assert turns_of([track_of(times, times, bounce_s=0.5 + 0.083 * seed, seed=seed)], steps) is None
    assert len(steps) > 20 * fps
    assert not any(step.leapt for step in steps)


def test_nothing_is_told_by_few_sightings() -> None:
    taken_s, shown_s = shown(Fraction(5, 4), 24.0, 0, 0.5)
    assert turns_of([track_of(taken_s, shown_s)]) is None
    assert turns_of([]) is None
