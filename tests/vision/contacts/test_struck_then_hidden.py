"""Strokes of which a few sightings show the start, and nothing what followed for most of a second."""

from collections.abc import Sequence
from dataclasses import replace
from math import degrees, radians

import numpy as np
import pytest

from tests.rendering.motion import Motion
from tests.vision.aimed import ERRORS
from tests.vision.seen import TABLE, motion_of, seen
from vision.contacts.struck_then_hidden import set_off_then_hidden
from vision.legs import Path
from vision.outcome import attempt
from vision.shot import Shot
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, find_strokes

UNTIL_S = 7.0
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
RED = (1.2, 0.45)


def close_hit(distance_m: float, cut_deg: float, speed_mps: float, bearing_deg: float = 62.0) -> Motion:
    """The cue ball, close by, sends the red ball over the left rail."""
    line, comes = radians(bearing_deg), radians(bearing_deg - cut_deg)
    ghost = np.array(RED) - 2 * TABLE.ball_radius_m * np.array([np.cos(line), np.sin(line)])
    cue = ghost - distance_m * np.array([np.cos(comes), np.sin(comes)])
    return motion_of({"cue": (float(cue[0]), float(cue[1])), "red": RED}, degrees(comes), speed_mps)


def hidden(balls: Sequence[Ball], from_s: float, until_s: float) -> list[Ball]:
    """The balls, all of them out of sight between two moments."""
    return [
        replace(
            ball,
            path=tuple(s for s in ball.path if not from_s < s.time_s < until_s),
            rests=(replace(ball.rests[0], last_s=min(ball.rests[0].last_s, from_s)), *ball.rests[1:]),
        )
        for ball in balls
    ]


@pytest.mark.parametrize("fps", [24.0, 30.0])
@pytest.mark.parametrize(
    ("distance_m", "cut_deg", "speed_mps"), [(0.15, 8.0, 3.3), (0.17, -30.0, 3.2), (0.18, 20.0, 3.4)]
)
def test_stroke_is_told_by_the_way_before_both_balls_were_hidden(
    fps: float, distance_m: float, cut_deg: float, speed_mps: float
) -> None:
    motion = close_hit(distance_m, cut_deg, speed_mps)
    met_s = motion.balls[0].t_s
    leg = motion.leg_at("red", met_s)
    assert leg is not None
    velocity = leg.velocity_at(leg.t_s)
    balls = hidden(seen(motion, fps=fps, until_s=UNTIL_S, seed=2), met_s - 0.02, met_s + 0.6)
    strokes, others = find_strokes(balls, TABLE, UNTIL_S)
    assert not others
    found = attempt(strokes[0], BANK, ERRORS)
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in motion.pockets]
    assert (found.ball, found.outcome) == ("red", "made")
    turn = np.angle(np.exp(1j * (found.bearing_rad - np.arctan2(*velocity[::-1]))))
    assert abs(turn) < 3 * found.bearing_sd_rad
    assert abs(found.speed_mps - np.hypot(*velocity)) < 3 * found.speed_sd_mps
    true = motion.miss_m("red", ["left"], TABLE.mouth_m("foot-right"))
    assert abs(found.miss_m - true) < 3 * found.miss_sd_m


def test_balls_that_hands_take_up_and_put_down_are_no_stroke() -> None:
    """The cue ball is seen once under way to the hand; both balls then lie elsewhere, or roll slowly there."""
    for aside_mps in (0.0, 0.3):
        times = np.arange(2.0, 3.0, 1 / 30)
        balls = []
        for name, lay, put in (("cue", (1.0, 0.3), (0.6, 0.8)), ("red", (1.1, 0.5), (1.4, 0.9))):
            gone = 1.0 if name == "cue" else 1.02
            path = [Sighting(t, np.array(put) + [aside_mps * (t - 2.0), 0.0], 0.0003, False) for t in times]
            first = [Sighting(1.033, np.array(lay) + [0.007, 0.014], 0.0003, False)] if name == "cue" else []
            rests = (Rest(np.array(lay), 2e-4, 0.0, gone, 30), Rest(path[-1].at_m, 2e-4, 3.0, 5.0, 40))
            balls.append(Ball(name, rests, (*first, *path), ()))
        strokes, _ = find_strokes(balls, TABLE, 5.0)
        assert not strokes


@pytest.mark.parametrize(
    ("ahead_m", "lay_s", "off_s", "met"),
    [(0.20, 1.05, 1.15, True), (0.90, 1.05, 1.15, False), (0.20, 1.40, 1.45, False)],
    ids=["in time", "too far", "seen lying long after"],
)
def test_ball_that_set_off_when_the_cue_ball_cannot_have_come_there_was_not_met(
    ahead_m: float, lay_s: float, off_s: float, met: bool
) -> None:
    """The cue ball is seen twice, at 3 m/s, and then hidden until 1.6 s."""
    rest = Rest(np.array([0.5, 0.6]), 2e-4, 0.0, 1.0, 30)
    other = Rest(np.array([0.68 + 2 * TABLE.ball_radius_m + ahead_m, 0.6]), 2e-4, 0.0, lay_s, 30)
    later = 1.6 + np.arange(8) / 30
    times = np.concatenate([[1.03, 1.06], later])
    whole = Path(
        times,
        np.column_stack([np.append([0.59, 0.68], 1.0 + 0.2 * (later - 1.6)), np.full(10, 0.6)]),
        np.full(10, 3e-4),
    )
    away = off_s + np.arange(8) / 30
    path = Path(away, np.column_stack([other.at_m[0] + 0.02 + 2.5 * (away - off_s), np.full(8, 0.6)]), np.full(8, 3e-4))
    found = set_off_then_hidden(rest, whole, {"red": (other, path)}, TABLE)
    assert (found is not None) == met
    if found is not None and found.hit is not None:
        assert 1.06 < found.hit.t_s <= off_s
