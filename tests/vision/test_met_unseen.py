"""Hits that no frame shows: told by what the balls did, or nothing told from them."""

from collections.abc import Sequence
from dataclasses import replace
from math import degrees

import numpy as np
import pytest

from tests.rendering import STRAIGHT, aim_rad, overhead_camera
from tests.rendering.motion import Motion
from tests.vision.seen import STRUCK_S, TABLE, motion_of, only_stroke, seen, without
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.shot import Shot
from vision.strokes import Ball
from vision.track import Loss

ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
FPS = 30.0
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
BANK_STARTS = {"cue": (0.8, 0.4), "red": (1.3, 0.65)}
WAITING = (2.2, 0.5)
HIT = Shot("hit", "kick", ("left",), "hit", target_ball=WAITING)


def hit_kick(starts_m: dict[str, tuple[float, float]], off_deg: float = 0.0) -> Motion:
    """Over the left rail to the place of a ball that waits on the open bed."""
    line = aim_rad((0.9, 0.3), WAITING, ["left"], 2.2, TABLE, STRAIGHT)
    return motion_of({"cue": (0.9, 0.3), **starts_m}, degrees(line) + off_deg, 2.2, physics=STRAIGHT)


@pytest.mark.parametrize("off_deg", [-1.0, 0.0, 1.0])
@pytest.mark.parametrize("fps", [15.0, 30.0])
def test_ball_that_turns_where_the_unseen_target_should_lie_decides_nothing(fps: float, off_deg: float) -> None:
    """A dark ball on a dark cloth: whether it was hit nobody saw."""
    motion = hit_kick({"black": WAITING}, off_deg)
    assert motion.balls
    found = attempt(only_stroke([b for b in seen(motion, fps=fps) if b.name == "cue"]), HIT, ERRORS)
    assert "target_not_seen" in found.flags
    assert found.outcome == "unclear"


@pytest.mark.parametrize("off_deg", [0.0, 6.0, -6.0])
def test_ball_that_rolls_over_the_place_of_the_target_or_past_it_missed(off_deg: float) -> None:
    found = attempt(only_stroke(seen(hit_kick({}, off_deg), fps=30.0)), HIT, ERRORS)
    assert "target_not_seen" in found.flags
    assert found.outcome == "missed"


def test_target_first_seen_as_the_cue_ball_is_under_way_lay_there() -> None:
    motion = hit_kick({"black": WAITING})
    late_s = STRUCK_S + 0.3

    def late(ball: Ball) -> Ball:
        first = replace(ball.rests[0], first_s=late_s, sightings=9)
        return replace(ball, rests=(first, *ball.rests[1:]))

    whole = seen(motion, fps=30.0)
    found = attempt(only_stroke([late(b) if b.name == "black" else b for b in whole]), HIT, ERRORS)
    assert found.outcome == "made"
    assert "target_not_seen" not in found.flags


@pytest.mark.parametrize("off_deg", [-1.5, 0.0, 1.0])
def test_banked_ball_that_is_never_seen_again_is_told_by_the_ball_that_met_it(off_deg: float) -> None:
    """Where it lay, and how it was sent off, as surely as the hit tells: not the cue ball's own start and line."""
    start, red = np.array([0.7, 0.4]), np.array([1.2, 0.7])
    motion = motion_of({"cue": (0.7, 0.4), "red": (1.2, 0.7)}, degrees(np.arctan2(*(red - start)[::-1])) + off_deg, 2.0)
    met = motion.balls[0]
    balls = [
        replace(b, path=(), rests=b.rests[:1], lost=(Loss(met.t_s, False, met.t_s + 0.03),)) if b.name == "red" else b
        for b in seen(motion, fps=FPS, until_s=6.0)
    ]
    found = attempt(only_stroke(balls, 6.0), BANK, ERRORS)
    true = motion.leg_at("red", met.t_s)
    assert true is not None
    velocity = true.velocity_at(true.t_s)
    assert (found.ball, found.outcome) == ("red", "unclear")
    assert "path_lost" in found.flags
    assert found.start_m == pytest.approx(red, abs=0.001)
    assert abs(found.bearing_rad - np.arctan2(velocity[1], velocity[0])) < 3 * found.bearing_sd_rad < 0.4
    assert abs(found.speed_mps - np.hypot(*velocity)) < 3 * found.speed_sd_mps


def banked(speed_mps: float, off_deg: float = 0.0) -> Motion:
    """The cue ball is sent at the red ball, so far off full or past it."""
    cue, red = np.array([1.0, 0.35]), np.array([1.2, 0.6])
    line = degrees(np.arctan2(*(red - cue)[::-1])) + off_deg
    return motion_of({"cue": (1.0, 0.35), "red": (1.2, 0.6)}, line, speed_mps)


def hidden(balls: Sequence[Ball], from_s: float, until_s: float) -> list[Ball]:
    """The balls, all of them under something between two moments."""
    return [
        replace(b, rests=(replace(b.rests[0], last_s=min(b.rests[0].last_s, from_s)), *b.rests[1:]))
        for b in without(balls, from_s, until_s)
    ]


@pytest.mark.parametrize(("off_deg", "speed_mps", "before_s", "after_s"), [(-9, 3.2, 0.06, 0.2), (-7, 2.4, 0.1, 0.4)])
def test_bank_whose_hit_is_not_told_is_told_by_the_ball_that_set_off(
    off_deg: float, speed_mps: float, before_s: float, after_s: float
) -> None:
    """The cue ball was seen before and after, but its two lines do not lead to the hit."""
    motion = banked(speed_mps, off_deg)
    hit_s = motion.balls[0].t_s
    stroke = only_stroke(hidden(seen(motion, fps=24.0, until_s=3.5), hit_s - before_s, hit_s + after_s), 3.5)
    found = attempt(stroke, BANK, ERRORS)
    true = motion.leg_at("red", hit_s)
    assert true is not None
    velocity = true.velocity_at(true.t_s)
    assert (found.ball, found.outcome) == ("red", "missed")
    assert "no_ball_hit" not in found.flags
    assert abs(found.bearing_rad - np.arctan2(velocity[1], velocity[0])) < 3 * found.bearing_sd_rad < 0.1
    assert abs(found.speed_mps - np.hypot(*velocity)) < 3 * found.speed_sd_mps


@pytest.mark.parametrize("off_deg", [-5.0, 3.0])
def test_bank_whose_hit_no_picture_shows_is_not_missed_for_want_of_a_hit(off_deg: float) -> None:
    """The banked ball is seen again when it is off its rail: it does not tell the hit either."""
    motion = banked(3.2, off_deg)
    hit_s = motion.balls[0].t_s
    stroke = only_stroke(hidden(seen(motion, fps=24.0, until_s=3.5), hit_s - 0.06, hit_s + 0.4), 3.5)
    found = attempt(stroke, BANK, ERRORS)
    assert found.outcome == "unclear"
    assert "path_lost" in found.flags
    assert "no_ball_hit" not in found.flags


def test_bank_whose_cue_ball_drops_out_of_sight_is_not_missed_for_want_of_a_hit() -> None:
    """It is seen to come up to the other, and never after; that one is seen again when it is off its rail."""
    motion = banked(3.2)
    hit_s = motion.balls[0].t_s
    cue, red = hidden(seen(motion, fps=120.0, until_s=3.5), hit_s - 0.04, hit_s + 0.5)
    gone = replace(cue, path=tuple(s for s in cue.path if s.time_s < hit_s), rests=cue.rests[:1], lost=())
    assert len(gone.path) > 2
    found = attempt(only_stroke([gone, red], 3.5), BANK, ERRORS)
    assert found.outcome == "unclear"
    assert "no_ball_hit" not in found.flags


def test_ball_that_drops_out_of_sight_may_have_been_banked() -> None:
    """Nobody sees it under way, or the cue ball meet it."""
    motion = banked(2.4, -7.0)
    hit_s = motion.balls[0].t_s
    cue, red = hidden(seen(motion, fps=24.0, until_s=3.5), hit_s - 0.1, hit_s + 0.4)
    gone = replace(red, path=(), rests=red.rests[:1], lost=(Loss(red.rests[0].last_s, False),))
    found = attempt(only_stroke([cue, gone], 3.5), BANK, ERRORS)
    assert found.outcome == "unclear"
    assert "no_ball_hit" not in found.flags


@pytest.mark.parametrize("late_s", [0.6, 1.2])
def test_ball_moved_when_the_cue_ball_is_long_past_it_was_not_hit(late_s: float) -> None:
    """Seen all the way, it passes the other ball by a hand's breadth; somebody takes that away after."""
    hit = next(b for b in seen(banked(1.6), fps=24.0, until_s=4.0) if b.name == "red")
    cue = next(b for b in seen(banked(1.6, 40.0), fps=24.0, until_s=4.0) if b.name == "cue")
    taken = replace(
        hit,
        path=tuple(replace(s, time_s=s.time_s + late_s) for s in hit.path),
        rests=(replace(hit.rests[0], last_s=hit.rests[0].last_s + late_s),),
        lost=(),
    )
    found = attempt(only_stroke([cue, taken], 4.0), BANK, ERRORS)
    assert found.outcome == "missed"
    assert "no_ball_hit" in found.flags


@pytest.mark.parametrize("cut_deg", [-30.0, 4.0, 30.0])
def test_ball_turned_by_one_that_no_frame_shows_hit_something(cut_deg: float) -> None:
    """A ball of the very colour of the cloth: that none was met is not told."""
    cue, red = (np.array(BANK_STARTS[name]) for name in ("cue", "red"))
    line = np.arctan2(*(red - cue)[::-1]) + np.radians(cut_deg)
    ghost = red - 2 * TABLE.ball_radius_m * np.array([np.cos(line), np.sin(line)])
    motion = motion_of(BANK_STARTS, degrees(np.arctan2(*(ghost - cue)[::-1])), 2.4)
    balls = [ball for ball in seen(motion, fps=FPS) if ball.name == "cue"]
    found = attempt(only_stroke(balls), BANK, ERRORS)
    assert (found.outcome, "path_lost" in found.flags, "no_ball_hit" in found.flags) == ("unclear", True, False)


def test_ball_that_is_met_after_one_that_no_frame_shows_is_not_the_banked_one() -> None:
    cut = motion_of(BANK_STARTS, 29.0, 2.4)
    behind = cut.where("cue", cut.balls[0].t_s + 0.35)
    assert behind is not None
    motion = motion_of(BANK_STARTS | {"yellow": (float(behind[0]), float(behind[1]))}, 29.0, 2.4)
    assert [c.balls for c in motion.balls][:2] == [("cue", "red"), ("cue", "yellow")]
    balls = [ball for ball in seen(motion, fps=60.0) if ball.name != "red"]
    found = attempt(only_stroke(balls), BANK, ERRORS)
    assert (found.outcome, found.ball, "path_lost" in found.flags) == ("unclear", "cue", True)


def test_ball_that_meets_none_meets_none() -> None:
    found = attempt(only_stroke(seen(motion_of(BANK_STARTS, 60.0, 2.4), fps=FPS)), BANK, ERRORS)
    assert (found.outcome, found.flags[0]) == ("missed", "no_ball_hit")
