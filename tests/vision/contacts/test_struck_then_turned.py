"""Strokes into a ball that nobody sees, close by: the cue ball has hardly been seen before that turns it."""

from math import degrees, radians

import numpy as np
import pytest

from tests.rendering.motion import Motion
from tests.vision.aimed import ERRORS
from tests.vision.seen import STRUCK_S, TABLE, motion_of, seen
from vision.contacts.struck_then_turned import set_off_then_turned
from vision.legs import Path, fit_line
from vision.outcome import attempt
from vision.set_off import SetOff
from vision.shot import Shot
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, find_strokes

UNTIL_S = 6.0
KICK = Shot("kick", "kick", ("left", "foot"), "pocketed", target_pocket="head-right")
DARK = (1.2, 0.7)


def into_cluster(distance_m: float, cut_deg: float, speed_mps: float, bearing_deg: float = 40.0) -> Motion:
    """The cue ball, close by, hits a dark ball to which a blue one is frozen."""
    line, comes = radians(bearing_deg), radians(bearing_deg - cut_deg)
    ghost = np.array(DARK) - 2 * TABLE.ball_radius_m * np.array([np.cos(line), np.sin(line)])
    cue = ghost - distance_m * np.array([np.cos(comes), np.sin(comes)])
    beside = np.array(DARK) + 2.002 * TABLE.ball_radius_m * np.array([np.cos(line - 1.4), np.sin(line - 1.4)])
    starts = {"cue": cue, "dark": np.array(DARK), "blue": beside}
    return motion_of({n: (float(p[0]), float(p[1])) for n, p in starts.items()}, degrees(comes), speed_mps)


def begun_of(motion: Motion, fps: float, phase: int) -> tuple[SetOff | None, list[Sighting]]:
    """How the stroke is told of which only every so many sightings are there, and those before the hit."""
    balls = {b.name: b for b in seen(motion, fps=fps, until_s=UNTIL_S, seed=phase)}
    near = {"blue": (balls["blue"].rests[0], Path.of(balls["blue"].path))}
    path = balls["cue"].path[phase:]
    before = [s for s in path if s.time_s < motion.balls[0].t_s]
    return set_off_then_turned(balls["cue"].rests[0], Path.of(path), near, TABLE), before


@pytest.mark.parametrize("phase", [0, 1, 2])
@pytest.mark.parametrize(("distance_m", "speed_mps"), [(0.12, 3.0), (0.2, 4.5), (0.25, 4.0)])
@pytest.mark.parametrize("cut_deg", [-20.0, -10.0, 8.0])
@pytest.mark.parametrize("fps", [24.0, 30.0])
def test_stroke_into_a_ball_that_is_not_seen_is_told_as_surely_as_it_was_seen(
    fps: float, cut_deg: float, distance_m: float, speed_mps: float, phase: int
) -> None:
    motion = into_cluster(distance_m, cut_deg, speed_mps)
    begun, before = begun_of(motion, fps, phase)
    leg = motion.leg_at("cue", STRUCK_S)
    assert leg is not None
    true = leg.velocity_at(STRUCK_S)
    if begun is None:
        # Seen too rarely, or too often, or no faster than hands roll balls for all that the film shows.
        assert len(before) != 2 or speed_mps < 3.5
        return
    assert begun.way is not None
    line = fit_line(begun.way)
    turn = float(np.angle(np.exp(1j * (line.bearing_rad - np.arctan2(true[1], true[0])))))
    assert abs(turn) < 3.5 * line.bearing_sd_rad
    assert abs(begun.launch.speed_mps - np.hypot(*true)) < 3 * begun.launch.speed_sd_mps
    assert abs(begun.launch.time_s - STRUCK_S) < 3 * begun.launch.time_sd_s + 0.001


@pytest.mark.parametrize("fps", [24.0, 30.0])
@pytest.mark.parametrize(("distance_m", "speed_mps", "cut_deg"), [(0.24, 4.0, -10.0), (0.24, 4.0, 10.0)])
def test_stroke_into_a_ball_that_is_not_seen_is_an_attempt(
    fps: float, distance_m: float, speed_mps: float, cut_deg: float
) -> None:
    motion = into_cluster(distance_m, cut_deg, speed_mps)
    balls = [ball for ball in seen(motion, fps=fps, until_s=UNTIL_S) if ball.name != "dark"]
    strokes, others = find_strokes(balls, TABLE, UNTIL_S)
    assert not others
    assert [attempt(stroke, KICK, ERRORS).outcome for stroke in strokes] == ["missed"]


@pytest.mark.parametrize("carried_mps", [0.8, 1.6])
def test_balls_that_hands_snatch_away_together_are_no_stroke(carried_mps: float) -> None:
    """Two balls beside each other leave their places at once, as fast as hands go, and roll on free."""
    times = np.arange(1.1, 2.4, 1 / 30)
    balls = []
    for name, lay in (("cue", (1.0, 0.3)), ("blue", (1.08, 0.3))):
        gone_m = np.minimum(carried_mps * (times - 1.0), 0.7)
        path = [Sighting(t, np.array(lay) + [0.0, m], 3e-4, False) for t, m in zip(times, gone_m, strict=True)]
        rests = (Rest(np.array(lay), 2e-4, 0.0, 1.0, 30), Rest(path[-1].at_m, 2e-4, 2.4, 6.0, 40))
        balls.append(Ball(name, rests, tuple(path), ()))
    strokes, others = find_strokes([replace_start(ball) for ball in balls], TABLE, UNTIL_S)
    assert not strokes
    assert others


def replace_start(ball: Ball) -> Ball:
    """The ball, its first sightings aside of its way: a hand does not move it in a line from where it lay."""
    aside = [Sighting(s.time_s, s.at_m + [0.08 * np.exp(-k / 3), 0.0], s.sd_m, False) for k, s in enumerate(ball.path)]
    return Ball(ball.name, ball.rests, tuple(aside), ball.lost)
