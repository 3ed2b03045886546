"""A cue ball that meets another one after two sightings, which then goes out of sight."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.seen import TABLE, motion_of, seen
from vision.strokes import Ball, find_strokes

CUE, AHEAD_M = (0.66, 0.63), 0.42


def hidden_after_hit(
    speed_mps: float, seed: int, bearing_deg: float = 59.0, fps: float = 25.0
) -> tuple[list[Ball], float]:
    """What is seen of a ball struck at one close by, that vanishes as it is met; and when that was."""
    turn = np.radians(bearing_deg + 3.0)
    red = (CUE[0] + AHEAD_M * float(np.cos(turn)), CUE[1] + AHEAD_M * float(np.sin(turn)))
    motion = motion_of({"cue": CUE, "red": red}, bearing_deg, speed_mps)
    met_s = motion.balls[0].t_s
    balls = seen(motion, fps=fps, until_s=3.0, noise_m=0.001, seed=seed)
    return [replace(b, path=(), rests=b.rests[:1]) if b.name == "red" else b for b in balls], met_s


@pytest.mark.parametrize("speed_mps", [4.0, 4.4, 4.8])
def test_ball_seen_twice_before_it_met_another_was_struck(speed_mps: float) -> None:
    for seed in range(4):
        balls, met_s = hidden_after_hit(speed_mps, seed)
        strokes, others = find_strokes(balls, TABLE, 3.0)
        assert not others
        assert len(strokes) == 1
        hit = strokes[0].cue.ball_hits[0]
        assert hit.balls == ("cue", "red")
        assert hit.t_s == pytest.approx(met_s, abs=0.004)
        assert strokes[0].launch.speed_mps == pytest.approx(speed_mps, rel=0.1)


def test_moment_of_the_hit_counts_that_the_ball_slows_out_of_sight() -> None:
    off = []
    for seed in range(8):
        balls, met_s = hidden_after_hit(2.5, seed, fps=15.0)
        cue, *others = balls
        path = tuple(s for s in cue.path if s.time_s < 1.1 or s.time_s > met_s + 0.2)
        strokes, _ = find_strokes([replace(cue, path=path), *others], TABLE, 3.0)
        off.append(strokes[0].cue.ball_hits[0].t_s - met_s)
    assert abs(np.mean(off)) < 0.003


def test_ball_that_lies_elsewhere_was_not_met() -> None:
    balls, _ = hidden_after_hit(4.4, 0)
    cue, red = balls
    aside = replace(red.rests[0], at_m=red.rests[0].at_m + np.array([-0.4, 0.0]))
    strokes, _ = find_strokes([cue, replace(red, rests=(aside,))], TABLE, 3.0)
    assert not any(stroke.cue.ball_hits for stroke in strokes)
