"""A cue ball that is struck as it rolls: told as no attempt, and what follows is no part of the attempt before."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from tests.rendering import Physics, overhead_camera, simulate
from tests.rendering.motion import Motion
from tests.vision.seen import STRUCK_S, TABLE, motion_of, seen
from vision.no_attempt.by_hand import moved_by_hand
from vision.no_attempt.struck_again import sudden_gains
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.shot import Shot
from vision.strokes import Ball, find_strokes

HANGING = (2.452, 0.088)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
START_M, FIRST_DEG, FIRST_MPS = (0.9, 0.3), 60.0, 0.9
UNTIL_S = 14.0


def first_kick() -> Motion:
    return motion_of({"cue": START_M, "red": HANGING}, FIRST_DEG, FIRST_MPS)


def rolls_on_m(after_s: float) -> float:
    """How far the kicked ball rolls on at most so long after it was struck, on a fast cloth (0.005 g)."""
    leg = first_kick().leg_at("cue", STRUCK_S + after_s)
    assert leg is not None
    return leg.speed_at(STRUCK_S + after_s) ** 2 / (2 * 0.005 * 9.81)


def to_go_m(after_s: float) -> float:
    here = first_kick().where("cue", STRUCK_S + after_s)
    assert here is not None
    return float(np.hypot(*(KICK.target_point_m(TABLE) - here)))


def struck_twice(after_s: float, bearing_deg: float, speed_mps: float, fps: float) -> list[Ball]:
    """A soft kick whose ball is struck once more so long after the first time."""
    first = first_kick()
    here = first.where("cue", STRUCK_S + after_s)
    assert here is not None
    starts = {"cue": (float(here[0]), float(here[1])), "red": HANGING}
    again = simulate(starts, "cue", radians(bearing_deg), speed_mps, TABLE, Physics(), t_s=STRUCK_S + after_s)
    before = {b.name: b for b in seen(first, fps=fps, until_s=STRUCK_S + after_s)}
    after = seen(again, fps=fps, until_s=UNTIL_S, seed=1)
    return [
        replace(ball, rests=(before["cue"].rests[0], *ball.rests[1:]), path=(*before["cue"].path, *ball.path))
        if ball.name == "cue"
        else ball
        for ball in after
    ]


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize(("bearing_deg", "speed_mps"), [(60.0, 1.6), (0.0, 3.0)])
@pytest.mark.parametrize("after_s", [0.5, 0.7, 1.5, 3.0])
def test_ball_struck_as_it_rolls_is_told(after_s: float, bearing_deg: float, speed_mps: float, fps: float) -> None:
    balls = struck_twice(after_s, bearing_deg, speed_mps, fps)
    strokes, _ = find_strokes(balls, TABLE, UNTIL_S)
    assert [s.launch.time_s for s in strokes] == pytest.approx([STRUCK_S], abs=0.02)
    found = [one for one in moved_by_hand(balls, strokes, TABLE, 0.5) if one.ball == "cue"]
    assert [one.how for one in found] == ["struck"]
    assert found[0].from_s == pytest.approx(STRUCK_S + after_s, abs=2.5 / fps)
    assert float(strokes[0].cue_path.t[-1]) <= STRUCK_S + after_s
    # Nothing that the second stroke did decides the first; that it was too slow to get to the pocket does.
    outcome = attempt(strokes[0], KICK, ERRORS).outcome
    assert outcome == ("missed" if rolls_on_m(after_s) < to_go_m(after_s) else "unclear")


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("noise_m", [0.0003, 0.002])
def test_ball_that_draws_back_or_follows_on_was_not_struck_again(noise_m: float, fps: float) -> None:
    """Its own spin speeds it up after it has met another one full."""
    rng = np.random.default_rng(5)
    for seed in range(12):
        starts = {"cue": (0.5, 0.6), "red": (1.2, 0.6 + rng.uniform(-0.02, 0.02))}
        motion = motion_of(starts, 0.0, rng.uniform(1.0, 4.0), follow=rng.uniform(-1.0, 1.0))
        balls = seen(motion, fps=fps, until_s=8.0, noise_m=noise_m, seed=seed)
        if len(motion.balls) == 1:
            assert [sudden_gains(ball.path) for ball in balls] == [[], []]
        strokes, _ = find_strokes(balls, TABLE, 8.0)
        assert [one for one in moved_by_hand(balls, strokes, TABLE, 0.5) if one.how == "struck"] == []


def test_one_sighting_of_something_else_is_no_second_stroke() -> None:
    """A glove across the table that is taken for the ball once, where a rail turns it, as a film showed it."""
    motion = motion_of({"cue": (1.33, 0.8), "red": HANGING}, 42.0, 3.8)
    cue = seen(motion, fps=30.0, until_s=UNTIL_S)[0]
    rail_s = motion.rails[1].t_s
    k = next(k for k, s in enumerate(cue.path) if s.time_s > rail_s)
    for stray in (k - 1, k, k + 1):
        path = list(cue.path)
        path[stray] = replace(path[stray], at_m=path[stray].at_m - [0.95, -0.3], sd_m=0.0064)
        assert sudden_gains(path[: k + 20]) == []
