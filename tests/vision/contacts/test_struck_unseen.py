"""Cue balls that no frame shows from before the strike, or hardly one, until they have met another ball."""

from collections.abc import Sequence
from dataclasses import replace
from math import degrees, radians

import numpy as np
import pytest

from tests.rendering.motion import Motion
from tests.vision.aimed import ERRORS
from tests.vision.seen import STRUCK_S, TABLE, motion_of, only_stroke, seen
from vision.contacts.struck_unseen import set_off_unseen
from vision.legs import Path
from vision.outcome import attempt
from vision.reading import BallHit
from vision.shot import Shot
from vision.sightings import Rest
from vision.strokes import Ball, Stroke, find_strokes

BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
UNTIL_S = 8.0
RED = (1.44, 1.02)


def hit_from(
    distance_m: float, bearing_deg: float, cut_deg: float, speed_mps: float, red: tuple[float, float]
) -> Motion:
    """The cue ball, so far off when it lies, sends the red ball off at a bearing."""
    line, comes = radians(bearing_deg), radians(bearing_deg - cut_deg)
    ghost = np.array(red) - 2 * TABLE.ball_radius_m * np.array([np.cos(line), np.sin(line)])
    cue = ghost - distance_m * np.array([np.cos(comes), np.sin(comes)])
    return motion_of({"cue": (float(cue[0]), float(cue[1])), "red": red}, degrees(comes), speed_mps)


def hidden(balls: Sequence[Ball], names: Sequence[str], from_s: float, until_s: float) -> list[Ball]:
    """The balls, some of them out of sight between two moments."""
    return [
        replace(
            ball,
            path=tuple(s for s in ball.path if not from_s < s.time_s < until_s),
            rests=(replace(ball.rests[0], last_s=min(ball.rests[0].last_s, from_s)), *ball.rests[1:]),
        )
        if ball.name in names
        else ball
        for ball in balls
    ]


def check(stroke: Stroke, motion: Motion) -> None:
    """The attempt is at the red ball, by the cue ball's true line, and as far off as it states."""
    found, hit = attempt(stroke, BANK, ERRORS), motion.balls[0]
    leg = motion.leg_at("red", hit.t_s)
    assert leg is not None
    velocity = leg.velocity_at(leg.t_s)
    assert found.ball == "red"
    assert found.t_s == pytest.approx(STRUCK_S, abs=0.03)
    assert found.ball_contacts[0].balls == ("cue", "red")
    assert abs(np.angle(np.exp(1j * (found.bearing_rad - np.arctan2(*velocity[::-1]))))) < 3 * found.bearing_sd_rad
    assert abs(found.speed_mps - np.hypot(*velocity)) < 3 * found.speed_sd_mps
    true = motion.miss_m("red", ["left"], TABLE.mouth_m("foot-right"))
    assert abs(found.miss_m - true) < 3 * found.miss_sd_m < 0.1
    made = ("red", "foot-right") in [(p.ball, p.pocket) for p in motion.pockets]
    assert found.outcome == ("made" if made else "missed")
    assert not {"no_ball_hit", "wrong_rails", "stopped_short"} & set(found.flags)


@pytest.mark.parametrize(
    ("distance_m", "cut_deg", "fps"), [(0.25, -25.0, 60.0), (0.15, 15.0, 24.0), (0.15, 15.0, 30.0)]
)
def test_both_balls_hidden_until_one_is_off_its_rail(distance_m: float, cut_deg: float, fps: float) -> None:
    motion = hit_from(distance_m, 57.0, cut_deg, 4.0, RED)
    rail_s = motion.rails[0].t_s
    balls = hidden(seen(motion, fps=fps, until_s=UNTIL_S), ["cue", "red"], STRUCK_S - 0.3, rail_s + 0.03)
    check(only_stroke(balls, UNTIL_S), motion)


@pytest.mark.parametrize(("until_s", "cut_deg"), [(0.2, 3.0), (0.2, 20.0), (0.5, -30.0)])
def test_cue_ball_hidden_while_the_other_is_seen_to_leave(until_s: float, cut_deg: float) -> None:
    """It goes on along its line, or aside: neither was rolled by hand, nor did it hit no ball."""
    motion = hit_from(0.2, 60.0, cut_deg, 2.4, (1.2, 0.6))
    balls = hidden(seen(motion, fps=30.0, until_s=UNTIL_S), ["cue"], STRUCK_S - 0.1, motion.balls[0].t_s + until_s)
    check(only_stroke(balls, UNTIL_S), motion)


@pytest.mark.parametrize("fps", [15.0, 24.0])
def test_one_sighting_before_the_hit_and_none_for_a_while_after(fps: float) -> None:
    motion = hit_from(0.19, 60.0, -31.0, 3.4, (1.2, 0.5))
    hit_s = motion.balls[0].t_s
    balls = hidden(seen(motion, fps=fps, until_s=UNTIL_S), ["cue", "red"], hit_s - 0.02, hit_s + 0.05)
    check(only_stroke(balls, UNTIL_S), motion)


def test_balls_that_hands_push_about_under_cover_are_no_attempt() -> None:
    """Seen apart again, both slow: nobody knows what moved them."""
    motion = hit_from(0.2, 60.0, -20.0, 0.8, (1.2, 0.6))
    balls = hidden(seen(motion, fps=30.0, until_s=UNTIL_S), ["cue", "red"], STRUCK_S - 0.1, motion.balls[0].t_s + 0.3)
    strokes, others = find_strokes(balls, TABLE, UNTIL_S)
    assert strokes == []
    assert len(others) == 1


def test_ball_that_was_moved_elsewhere_sent_nothing_off() -> None:
    """The cue ball lies half a table from where it would have had to be."""
    motion = hit_from(0.2, 60.0, -20.0, 2.4, (1.2, 0.6))
    balls = hidden(seen(motion, fps=30.0, until_s=UNTIL_S), ["cue", "red"], STRUCK_S - 0.1, motion.balls[0].t_s + 0.2)
    cue = next(ball for ball in balls if ball.name == "cue")
    lay = replace(cue.rests[0], at_m=np.array([2.3, 1.1]))
    strokes, _ = find_strokes([replace(cue, rests=(lay, *cue.rests[1:])), *balls[1:]], TABLE, UNTIL_S)
    assert strokes == []


@pytest.mark.parametrize(
    ("cue", "bearing_deg", "speed_mps", "red", "yellow", "fps"),
    [
        ((0.519, 0.796), 54.6, 3.5, (0.670, 1.009), (0.774, 1.091), 24.0),
        ((1.649, 0.812), 215.4, 3.4, (1.309, 0.571), (1.202, 0.480), 15.0),
        ((1.268, 0.844), 195.7, 3.8, (0.772, 0.710), (0.662, 0.689), 15.0),
        ((0.958, 1.046), 221.1, 4.8, (0.788, 0.856), (0.718, 0.703), 15.0),
    ],
)
def test_ball_that_met_another_before_it_was_seen_is_the_one_that_was_hit(
    cue: tuple[float, float],
    bearing_deg: float,
    speed_mps: float,
    red: tuple[float, float],
    yellow: tuple[float, float],
    fps: float,
) -> None:
    """The last of the three tells how the middle one came to it; the cue ball cannot have gone through that one."""
    motion = motion_of({"cue": cue, "red": red, "yellow": yellow}, bearing_deg, speed_mps)
    assert [hit.balls for hit in motion.balls[:2]] == [("cue", "red"), ("red", "yellow")]
    stroke = only_stroke(seen(motion, fps=fps, until_s=5.0), 5.0)
    found = attempt(stroke, BANK, ERRORS)
    assert found.ball == "red"
    assert found.ball_contacts[0].balls == ("cue", "red")
    assert found.ball_contacts[0].t_s == pytest.approx(motion.balls[0].t_s, abs=0.015)
    assert found.outcome != "made"


@pytest.mark.parametrize("order", [1, -1])
def test_first_of_three_balls_in_a_row_was_hit_in_whatever_order_they_are_named(order: int) -> None:
    """Only the last is seen to set off: it tells how the middle one came to it, and that how the first one did."""
    touch, times = 2 * TABLE.ball_radius_m, 1.2 + np.arange(8) / 30
    lay = {"cue": 0.6, "red": 0.8, "yellow": 1.0, "blue": 1.2}

    def goes(from_m: float, speed_mps: float) -> Path:
        along = from_m + speed_mps * (times - times[0])
        return Path(times, np.column_stack([along, np.full(8, 0.6)]), np.full(8, 3e-4))

    rests = {name: Rest(np.array([at, 0.6]), 2e-4, 0.0, 1.0, 30) for name, at in lay.items()}
    paths = {
        "cue": goes(lay["red"] - touch + 0.01, 0.1),
        "red": goes(lay["yellow"] - touch + 0.005, 0.1),
        "yellow": goes(lay["blue"] - touch + 0.005, 0.1),
        "blue": goes(lay["blue"] + 0.12, 3.0),
    }
    near = {name: (rests[name], paths[name]) for name in ("red", "yellow", "blue")[::order]}
    found = set_off_unseen(rests["cue"], paths["cue"], near, TABLE)
    assert found is not None
    assert isinstance(found.hit, BallHit)
    assert found.hit.balls == ("cue", "red")
