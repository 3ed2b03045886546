"""The rhythm of films that show each picture several times over: learnt from what moves fast, kept where none does."""

from collections.abc import Iterator

import numpy as np
import pytest

from vision.reduced import Picture
from vision.rhythm.shown_again import LEAST_PICTURES, ShownAgain

STEP_PX, NOISE = 4, 1.0


def picture(at_px: float, light: float = 60.0) -> Picture:
    """A ball on the cloth, at a place along the table."""
    x, y = np.meshgrid(np.arange(80), np.arange(40))
    inside = np.clip(4.0 - np.hypot(x - 10 - at_px % 60, y - 20), 0, 1)
    return np.asarray(light + 120 * inside, np.uint8)


def frames(numbers: list[int], step_px: float = STEP_PX, seed: int = 0) -> Iterator[Picture]:
    """The pictures of some numbers, a ball that much farther in each than in the last, coded with some noise."""
    rng = np.random.default_rng(seed)
    for number in numbers:
        noisy = picture(step_px * number) + rng.normal(0, NOISE, (40, 80))
        yield np.asarray(np.clip(np.rint(noisy), 0, 255), np.uint8)


def numbers(times: float, count: int) -> list[int]:
    """Which picture each of so many frames shows."""
    return [int(k / times + 1e-9) for k in range(count)]


def learnt(times: float) -> ShownAgain:
    shown = ShownAgain()
    for luma in frames(numbers(times, round(2 * LEAST_PICTURES * times))):
        assert not shown.again(luma)
        if shown.learnt:
            break
    assert shown.times == pytest.approx(times, abs=1 / LEAST_PICTURES)
    return shown


@pytest.mark.parametrize("times", [2, 2.5, 4, 5, 8, 25 / 3, 9.6, 10])
def test_rhythm_is_learnt_and_each_picture_taken_when_first_shown(times: float) -> None:
    shown = learnt(times)
    shown.begin()
    told = numbers(times, 400)
    new = [not shown.again(luma) for luma in frames(told, seed=1)]
    assert new == [k == 0 or told[k] != told[k - 1] for k in range(400)]
    assert shown.times == pytest.approx(times, rel=0.01)


@pytest.mark.parametrize("times", [2, 4, 8])
def test_rhythm_goes_on_where_a_ball_hardly_moves(times: int) -> None:
    shown = learnt(times)
    shown.begin()
    for luma in frames(numbers(times, 40 * times)):
        shown.again(luma)
    slow = numbers(times, 60 * times)
    new = [k for k, luma in enumerate(frames(slow, step_px=0.1)) if not shown.again(luma)]
    # Where the fast one stopped the first may come late.
    first = 2 * times
    assert [k for k in new if k >= first] == list(range(first, 60 * times, times))


@pytest.mark.parametrize("step_px", [0.0, 0.1, 0.5, 4.0])
def test_plain_films_have_no_rhythm(step_px: float) -> None:
    shown = ShownAgain()
    assert not any(shown.again(luma) for luma in frames(list(range(300)), step_px))
    assert not shown.learnt
    # What moves fast decides it, and no frame need be looked at for this any more.
    assert (shown.times == 1) == (step_px >= 0.5)


@pytest.mark.parametrize("shows", [[1, 1, 1, 2], [1, 2], [1, 1, 2, 5]])
def test_some_pictures_shown_twice_are_no_rhythm(shows: list[int]) -> None:
    told = [k for k in range(120) for _ in range(shows[k % len(shows)])]
    shown = ShownAgain()
    assert not any(shown.again(luma) for luma in frames(told))
    assert not shown.learnt


def test_lamps_that_flicker_are_no_rhythm() -> None:
    shown = ShownAgain()
    for k in range(300):
        # A hundred times a second, in a film of 60 pictures a second.
        shown.again(picture(0.5 * k, 60 + 30 * np.cos(2 * np.pi * 100 * k / 60)))
    assert not shown.learnt


def test_learns_nothing_from_one_move_in_a_film_that_stands_still() -> None:
    shown = ShownAgain()
    told = [k for k in range(5) for _ in range(8)] + [4] * 200 + [k for k in range(5, 9) for _ in range(8)]
    for luma in frames(told):
        shown.again(luma)
    assert not shown.learnt
