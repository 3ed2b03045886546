"""Balls that somebody moved are told from those that strokes set off, by how they left, went on and came to rest."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.table import Vector
from tests.vision.seen import NOISE_M, REST_SD_M, STRUCK_S, TABLE, motion_of, seen
from vision.no_attempt.by_hand import Moved, moved_by_hand
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, find_strokes
from vision.track import Loss

CUE_M, RED_M = (0.6, 0.4), (1.9, 0.9)
ELSEWHERE = np.array([1.2, 0.3])


def moved(balls: list[Ball]) -> list[Moved]:
    return moved_by_hand(balls, find_strokes(balls, TABLE, 20.0)[0], TABLE, 0.5)


def told(balls: list[Ball]) -> list[tuple[str, str]]:
    return [(one.ball, one.how) for one in moved(balls)]


def put_down(ball: Ball, at_m: Vector, at_s: float) -> Ball:
    """The ball with a hand that lets it go at a place: it lies there from the first sight of it on."""
    path = tuple(Sighting(at_s + k / 60, at_m, NOISE_M, False) for k in range(15))
    rest = Rest(at_m, REST_SD_M, at_s, at_s + 3.0, 40)
    before = tuple(s for s in ball.path if s.time_s < at_s)
    return replace(ball, path=(*before, *path), rests=(*(r for r in ball.rests if r.first_s < at_s), rest))


def resting(name: str, at_m: tuple[float, float], until_s: float = 12.0) -> Ball:
    return Ball(name, (Rest(np.array(at_m), REST_SD_M, 0.0, until_s, 40),), (), ())


def rolling(name: str, at_m: tuple[float, float], speed_mps: float, fps: float, *, under_hand: bool = False) -> Ball:
    """A ball that sets off by itself, and rolls till it stops; a hand is over it for a moment at first."""
    (ball,) = seen(
        motion_of({"cue": at_m}, 20.0, speed_mps, follow=1.0),
        fps=fps,
        in_crowd_until_s=STRUCK_S + 0.3 if under_hand else -1.0,
    )
    return replace(ball, name=name)


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize("speed_mps", [0.8, 2.0, 3.5])
def test_balls_that_a_stroke_set_off_were_moved_by_nobody(speed_mps: float, fps: float) -> None:
    """The cue ball meets the red one, both meet rails and roll out."""
    motion = motion_of({"cue": (0.6, 0.6), "red": (1.2, 0.615), "blue": (2.2, 1.0)}, 0.0, speed_mps)
    assert told(seen(motion, fps=fps, until_s=30.0)) == []


def test_ball_that_was_taken_up_as_it_rolled_was_put_where_it_lies() -> None:
    (cue,) = seen(motion_of({"cue": CUE_M}, 40.0, 2.0))
    path = tuple(s for s in cue.path if s.time_s < 5.0)
    taken = replace(cue, path=path, rests=cue.rests[:1], lost=(Loss(path[-1].time_s, True, 5.02),))
    (one,) = moved([put_down(taken, ELSEWHERE, 6.5)])
    assert (one.ball, one.how) == ("cue", "put")
    assert one.from_s == pytest.approx(5.0, abs=0.05)
    assert one.until_s == pytest.approx(6.5, abs=0.05)


def test_ball_that_dropped_is_put_back_when_it_is_seen_again() -> None:
    """Also where it lay before."""
    mouth = TABLE.mouth_m("foot-right")
    red = mouth + 0.2 * np.array([-1, 1]) / np.sqrt(2)
    cue = mouth + 0.9 * np.array([-1, 1]) / np.sqrt(2)
    motion = motion_of({"cue": (float(cue[0]), float(cue[1])), "red": (float(red[0]), float(red[1]))}, -45.0, 1.5)
    balls = [ball if ball.name == "cue" else put_down(ball, red, 8.0) for ball in seen(motion)]
    found = [one for one in moved(balls) if one.ball == "red"]
    assert [one.how for one in found] == ["put"]
    assert found[0].from_s == pytest.approx(8.0, abs=0.05)


def test_ball_hidden_for_a_while_where_it_lay_was_not_moved() -> None:
    hidden = replace(resting("red", RED_M, 3.0), lost=(Loss(3.0, True, 3.1),))
    assert told([resting("cue", CUE_M), put_down(hidden, np.array(RED_M), 10.0)]) == []


def test_ball_out_of_sight_as_it_rolls_out_was_not_moved() -> None:
    """Somebody leans over the table for the last second and a half."""
    (cue,) = seen(motion_of({"cue": CUE_M}, 20.0, 1.0), until_s=20.0)
    stops_s = cue.rests[-1].first_s
    path = tuple(s for s in cue.path if s.time_s < stops_s - 1.0 or s.time_s > stops_s + 0.5)
    assert told([replace(cue, path=path)]) == []


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize(
    ("speed_mps", "under_hand", "how"), [(0.6, True, "rolled"), (0.6, False, "knocked"), (0.2, False, "nudged")]
)
def test_object_ball_that_nothing_ran_into(speed_mps: float, under_hand: bool, how: str, fps: float) -> None:
    red = rolling("red", (1.3, 0.4), speed_mps, fps, under_hand=under_hand)
    (one,) = moved([resting("cue", CUE_M), red])
    assert (one.ball, one.how) == ("red", how)
    assert one.from_s == pytest.approx(STRUCK_S, abs=0.05)


def test_object_ball_that_is_rolled_while_the_cue_ball_still_rolls() -> None:
    (cue,) = seen(motion_of({"cue": CUE_M}, 100.0, 2.0))
    red = rolling("red", (1.9, 0.3), 0.5, 30.0, under_hand=True)
    assert told([cue, red]) == [("red", "rolled")]


def test_ball_that_another_one_ran_into_that_was_rolled_is_told_as_sent() -> None:
    motion = motion_of({"cue": (1.3, 0.4), "blue": (1.6, 0.41)}, 0.0, 0.7, follow=1.0)
    names = {"cue": "red", "blue": "blue"}
    balls = [replace(ball, name=names[ball.name]) for ball in seen(motion)]
    found = {one.ball: one.sent for one in moved([resting("cue", CUE_M), *balls])}
    assert found == {"red": False, "blue": True}


@pytest.mark.parametrize("swung", [False, True])
@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_ball_that_goes_on_faster_from_under_a_hand_was_rolled(fps: float, swung: bool) -> None:
    """It rolls slowly, is out of sight for half a second or seen as it is swung, and comes out faster."""
    slow = [
        s
        for ball in seen(motion_of({"cue": CUE_M}, 20.0, 0.9), fps=fps)
        for s in ball.path
        if s.time_s < STRUCK_S + 4.0
    ]
    again = rolling("cue", (float(slow[-1].at_m[0]), float(slow[-1].at_m[1])), 0.95, fps)
    late = slow[-1].time_s + 0.5 - STRUCK_S
    path = [*slow, *(replace(s, time_s=s.time_s + late) for s in again.path)]
    if swung:
        # The hand is first seen as the ball, then hides it for a moment.
        begins_s = slow[-1].time_s + 0.5
        late_s = [0.5 + k / fps for k in range(round(0.5 * fps))]
        held = [Sighting(begins_s + t - 0.2, slow[-1].at_m + [0.48 * (t - 0.5), 0.0], NOISE_M, False) for t in late_s]
        path = [*slow, *held, *(replace(s, time_s=s.time_s + 1.1) for s in path[len(slow) :])]
        late += 1.1
    rests = (
        Rest(np.array(CUE_M), REST_SD_M, 0.0, STRUCK_S, 40),
        *(replace(r, first_s=r.first_s + late, last_s=r.last_s + late) for r in again.rests[1:]),
    )
    found = moved([Ball("cue", rests, tuple(path), ())])
    assert [(one.ball, one.how) for one in found] == [("cue", "rolled")]
    assert found[0].from_s == pytest.approx(slow[-1].time_s, abs=0.05)


def test_ball_that_vanishes_under_a_hand_was_taken() -> None:
    red = replace(resting("red", RED_M, 3.0), lost=(Loss(3.0, True, 3.1),))
    assert told([resting("cue", CUE_M), red]) == [("red", "taken")]
    uncovered = replace(red, lost=(Loss(3.0, False, 3.1),))
    assert told([resting("cue", CUE_M), uncovered]) == []


@pytest.mark.parametrize("fps", [60.0, 120.0])
def test_ball_lost_from_sight_just_after_a_rail_was_sent_on_by_nobody(fps: float) -> None:
    """It turns back there, and so gets nowhere for a moment: it is not slow for that."""
    motion = motion_of({"cue": (0.6, 0.8)}, 80.0, 2.6)
    rail_s = motion.rails[0].t_s
    (cue,) = seen(motion, fps=fps, until_s=20.0)
    path = tuple(s for s in cue.path if not rail_s + 3.2 / fps < s.time_s < rail_s + 3.2 / fps + 0.45)
    assert told([replace(cue, path=path)]) == []
