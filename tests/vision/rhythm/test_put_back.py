"""Pictures missing now and again: the times of the others are put back by how balls leap, and caught up with later."""

import numpy as np
import pytest

from calibration.table import Vector
from tests.vision.rhythm.test_left_out import track_of
from vision.outlines.outline import BallView
from vision.rhythm.leaps import steps_of
from vision.rhythm.put_back import STILL_S, put_back
from vision.sightings import Rest, Sighting
from vision.track import Track

FPS, SHARE, LENGTH_S, BOUNCE_S = 30.0, 1 / 12, 2.4, 1.1


def kept(seed: int) -> Vector:
    """When the pictures of a film were taken that are left of it, some being dropped without a rule."""
    numbers = np.arange(round(LENGTH_S * FPS))
    # The very first show when the ball set off, and those round its rail when it met that.
    fixed = (numbers < 1) | (np.abs(numbers - BOUNCE_S * FPS) < 3)
    return np.asarray(numbers[fixed | (np.random.default_rng(seed).random(len(numbers)) > SHARE)] / FPS)


def shown(taken_s: Vector) -> Vector:
    return np.arange(len(taken_s)) / FPS


@pytest.mark.parametrize("seed", range(12))
def test_times_are_put_back_where_pictures_are_missing_without_a_rule(seed: int) -> None:
    taken_s = kept(seed)
    shown_s = shown(taken_s)
    back = put_back([track_of(taken_s, shown_s, bounce_s=BOUNCE_S, seed=seed)], 1 / FPS)
    assert back is not None
    assert [back.taken_s(t) for t in shown_s] == pytest.approx(list(taken_s), abs=1e-6)


def test_several_missing_in_a_row_and_close_together_are_told() -> None:
    taken_s = np.delete(np.arange(72), [10, 12, 13, 15, 40, 41, 44]) / FPS
    steps = steps_of([track_of(taken_s, shown(taken_s))], 1 / FPS)
    assert [(round(s.time_s * FPS), s.pictures) for s in steps if s.leapt] == [
        (9, 2),
        (10, 3),
        (11, 2),
        (35, 3),
        (37, 2),
    ]


def test_even_films_keep_their_times() -> None:
    for seed in range(20):
        times = np.arange(72) / FPS
        assert put_back([track_of(times, times, bounce_s=0.5 + 0.083 * seed, seed=seed)], 1 / FPS) is None


def test_ball_seen_wrongly_once_does_not_leap() -> None:
    times = np.arange(30) / FPS
    track = track_of(times, times)
    one = track.path[12]
    track.path[12] = Sighting(one.time_s, one.at_m + (track.path[13].at_m - one.at_m) * 0.95, one.sd_m, False)
    assert put_back([track], 1 / FPS) is None


def test_picture_missing_as_the_ball_sets_off_is_told() -> None:
    taken_s = np.arange(3, 30) / FPS
    track = track_of(taken_s, shown(taken_s) + 1 / FPS)
    # At rest in the frame before, it would have gone two steps within one at least.
    start_m = track.path[0].at_m - 2.4 * (track.path[1].at_m - track.path[0].at_m)
    track.rests.append(Rest(start_m, 0.0002, -1.0, 0.0, 30))
    back = put_back([track], 1 / FPS)
    assert back is not None
    assert back.taken_s(0.0) == pytest.approx(0.0)
    assert back.taken_s(1 / FPS) == pytest.approx(3 / FPS)


def test_what_was_put_off_is_caught_up_with_while_nothing_moves() -> None:
    taken_s = kept(3)
    shown_s = shown(taken_s)
    track = track_of(taken_s, shown_s, bounce_s=BOUNCE_S, seed=3)
    ends_s = float(shown_s[-1])
    track.rests.append(Rest(track.path[-1].at_m, 0.0002, ends_s, ends_s + 1.5, 40))
    back = put_back([track], 1 / FPS)
    assert back is not None
    later = [back.taken_s(ends_s + k * 0.1) for k in range(16)]
    assert later[0] == pytest.approx(taken_s[-1])
    assert (np.diff(later) > 0).all()
    assert later[-1] == pytest.approx(ends_s + 1.5)


def test_of_balls_that_disagree_about_a_leap_the_most_are_believed() -> None:
    times = np.arange(30) / FPS
    leaps = np.delete(np.arange(31), 12) / FPS
    tracks = [track_of(leaps, times, seed=1), track_of(times, times, seed=2), track_of(times, times, seed=3)]
    assert put_back(tracks, 1 / FPS) is None


def test_no_ball_under_way_tells_nothing() -> None:
    place = np.zeros(2)
    lying = Track(0, np.zeros(3), BallView(place, 0.0003, np.zeros(2), np.zeros(3), 1.0), 1.0)
    lying.rests.append(Rest(place, 0.001, 0.0, 2 * STILL_S, 9))
    assert put_back([lying], 1 / FPS) is None


def test_ball_that_was_hardly_told_from_another_does_not_leap() -> None:
    """As it is hit, the two are one piece in a frame: it is seen where it lay still."""
    times = np.arange(30) / FPS
    track = track_of(times[:-1], times[1:])
    first = track.path[0]
    lagging = first.at_m - 0.9 * (track.path[1].at_m - first.at_m)
    seen_late = Sighting(first.time_s, lagging, 0.03, True)
    track.path[0] = Sighting(first.time_s, lagging, 0.0004, False)
    assert put_back([track], 1 / FPS) is not None
    track.path[0] = seen_late
    assert put_back([track], 1 / FPS) is None


def test_leaps_of_a_ball_that_slides_as_it_comes_off_a_rail_are_told() -> None:
    """Two pictures in three are missing there, and it slows down by a fifth meanwhile."""
    lasted = [1, 1, 1, 1, 2, 2, 1, 2, 1, 2, 1, 1, 1]
    lengths_m = np.array([19.2, 18.3, 17.7, 17.3, 33.7, 31.2, 15.7, 28.1, 13.4, 27.3, 14.3, 13.0, 14.0]) * 1e-3
    track = track_of(np.arange(len(lasted) + 1) / FPS, np.arange(len(lasted) + 1) / FPS)
    places = np.cumsum([0.0, *lengths_m])
    track.path = [
        Sighting(s.time_s, np.array([0.5 + x, 0.4]), 0.0003, False) for s, x in zip(track.path, places, strict=True)
    ]
    told = {round(s.time_s * FPS): s.pictures for s in steps_of([track], 1 / FPS)}
    assert {k: told[k] for k in range(3, 10) if k in told} == {k: lasted[k] for k in range(3, 10)}
