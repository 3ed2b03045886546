"""Shots whose film ends, or leaves pictures out, before they are decided: unclear, and nothing told from nothing."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from math import degrees

import numpy as np
import pytest

from tests.rendering import STRAIGHT, aim_rad, overhead_camera
from tests.rendering.motion import Motion
from tests.vision.seen import STRUCK_S, TABLE, motion_of, only_stroke, seen, without
from vision.contacts.run import Run
from vision.contacts.turns import turned_unseen
from vision.legs import Path
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.reading import Attempt
from vision.shot import Shot
from vision.strokes import Ball
from vision.track import Loss
from vision.tracks import GONE_S
from vision.undecided import _perhaps_met, ends_before_a_hit

ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
HANGING = (2.452, 0.088)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
FPS = 30.0


@cache
def made_kick() -> Motion:
    """Over the left rail at the ball over the corner, which drops."""
    ghost, start = KICK.target_point_m(TABLE), (0.9, 0.3)
    line = aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], 2.2, TABLE, STRAIGHT)
    motion = motion_of({"cue": start, "red": HANGING}, degrees(line) - 0.3, 2.2, physics=STRAIGHT)
    assert [p.ball for p in motion.pockets][:1] == ["red"]
    return motion


def filmed(until_s: float) -> list[Ball]:
    """What is seen of it in a film that ends then: of a ball that has just vanished it is not known that it is gone."""
    return [
        replace(ball, lost=tuple(x for x in ball.lost if x.time_s < until_s - GONE_S))
        for ball in seen(made_kick(), fps=FPS, until_s=until_s)
    ]


def told(balls: Sequence[Ball], until_s: float) -> Attempt:
    return attempt(only_stroke(balls, until_s), KICK, ERRORS)


MET_S = made_kick().balls[0].t_s
RAIL_S = made_kick().rails[0].t_s
DROPPED_S = made_kick().pockets[0].t_s


@pytest.mark.parametrize("end_s", [*np.arange(STRUCK_S + 0.2, DROPPED_S + 0.3, 0.1), *(MET_S + np.arange(-3, 5) / FPS)])
def test_film_that_ends_before_the_ball_is_gone_decides_nothing(end_s: float) -> None:
    found = told(filmed(end_s), end_s)
    assert found.outcome == "unclear"
    assert "path_lost" in found.flags
    assert not {"stopped_short", "wrong_rails", "wrong_ball_first"} & set(found.flags)


def test_film_that_goes_on_shows_it_made() -> None:
    found = told(seen(made_kick(), fps=FPS, until_s=8.0), 8.0)
    assert found.outcome == "made"
    assert {"hit_full", "hit_left"} <= set(found.flags)


@pytest.mark.parametrize("frames", range(1, 6))
def test_film_that_ends_at_the_hit_tells_nothing_of_it(frames: int) -> None:
    end_s = MET_S + frames / FPS
    assert not [flag for flag in told(filmed(end_s), end_s).flags if flag.startswith("hit_")]


@pytest.mark.parametrize("gap_s", [0.4, 0.6, 0.8, 0.95])
@pytest.mark.parametrize("before_s", [0.05, 0.15, 0.25, 0.35])
def test_pictures_left_out_round_the_rail_are_no_wrong_rail(before_s: float, gap_s: float) -> None:
    """Right where the rail is told all the same, else unclear; the ball never stops short, nor takes other rails."""
    found = told(without(seen(made_kick(), fps=FPS, until_s=8.0), RAIL_S - before_s, RAIL_S - before_s + gap_s), 8.0)
    assert found.outcome in ("made", "unclear")
    assert not {"stopped_short", "wrong_rails", "wrong_ball_first"} & set(found.flags)


@pytest.mark.parametrize("gap_s", [0.5, 0.8])
def test_leg_ends_where_pictures_are_left_out_round_a_turn(gap_s: float) -> None:
    """What is seen of the ball after it was turned out of sight has no part in the line before."""
    whole, until_s = seen(made_kick(), fps=FPS, until_s=8.0), MET_S - 0.1
    without_hit = told(without(whole, until_s, until_s + gap_s), 8.0)
    assert without_hit.miss_m == pytest.approx(told(whole, 8.0).miss_m, abs=0.004)


@pytest.mark.parametrize(("speed_mps", "outcome"), [(0.9, "missed"), (1.2, "unclear"), (2.2, "unclear")])
def test_film_that_ends_decides_a_kick_that_is_too_slow_to_get_there(speed_mps: float, outcome: str) -> None:
    """It is on its last leg, on its way to the ball at the corner, and was seen for a second there."""
    ghost, start = KICK.target_point_m(TABLE), (0.9, 0.3)
    line = aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], 2.2, TABLE, STRAIGHT)
    motion = motion_of({"cue": start, "red": HANGING}, degrees(line), speed_mps, physics=STRAIGHT)
    until_s = motion.rails[0].t_s + 1.0
    leg = motion.leg_at("cue", until_s)
    assert leg is not None
    # On a fast cloth, of 0.005 g.
    rolls_on_m = leg.speed_at(until_s) ** 2 / (2 * 0.005 * 9.81)
    assert (rolls_on_m < np.hypot(*(ghost - leg.where(until_s)))) == (outcome == "missed")
    found = told(seen(motion, fps=FPS, until_s=until_s), until_s)
    assert found.outcome == outcome
    assert ("path_lost" in found.flags) == (outcome == "unclear")


def lost_slow(crowded: bool) -> list[Ball]:
    """A kick that stops before the rail, its ball last seen as it creeps."""
    balls = seen(motion_of({"cue": (0.9, 0.3), "red": HANGING}, 60.0, 0.55), fps=FPS, until_s=12.0)
    cue = next(ball for ball in balls if ball.name == "cue")
    crept = next(
        k for k, (a, b) in enumerate(pairwise(cue.path)) if k > 5 and np.hypot(*(cue.path[k - 5].at_m - b.at_m)) < 0.01
    )
    lost_s = cue.path[crept].time_s
    lost = replace(cue, rests=cue.rests[:1], path=cue.path[: crept + 1], lost=(Loss(lost_s, crowded, lost_s + 0.03),))
    return [lost if ball.name == "cue" else ball for ball in balls]


def test_ball_that_vanishes_as_it_creeps_did_not_stop_short() -> None:
    whole = seen(motion_of({"cue": (0.9, 0.3), "red": HANGING}, 60.0, 0.55), fps=FPS, until_s=12.0)
    stopped = told(whole, 12.0)
    assert (stopped.outcome, "stopped_short" in stopped.flags) == ("missed", True)
    found = told(lost_slow(crowded=False), 12.0)
    assert found.outcome == "unclear"
    assert "stopped_short" not in found.flags


def test_ball_that_is_taken_up_as_it_creeps_had_stopped_short() -> None:
    found = told(lost_slow(crowded=True), 12.0)
    assert (found.outcome, "stopped_short" in found.flags) == ("missed", True)


@pytest.mark.parametrize("cut_deg", [2.0, 5.0])
def test_ball_turned_out_of_sight_may_have_met_the_rail(cut_deg: float) -> None:
    """A banked ball that is seen once on its way there, and then on its way back to another rail."""
    cue, red, ahead = np.array([1.17, 0.39]), np.array([1.4764, 0.7002]), np.radians(67 + cut_deg)
    line = red - 2 * TABLE.ball_radius_m * np.array([np.cos(ahead), np.sin(ahead)]) - cue
    bearing = degrees(np.arctan2(line[1], line[0]))
    motion = motion_of({"cue": (1.17, 0.39), "red": (1.4764, 0.7002)}, bearing, 2.6)
    rail_s = next(c.t_s for c in motion.rails if c.ball == "red")
    once = rail_s - 0.04 - 1 / FPS
    balls = [
        replace(ball, path=tuple(s for s in ball.path if once < s.time_s < rail_s - 0.04 or s.time_s > rail_s + 0.1))
        if ball.name == "red"
        else ball
        for ball in seen(motion, fps=FPS, until_s=12.0)
    ]
    found = attempt(only_stroke(balls, 12.0), BANK, ERRORS)
    assert not {"stopped_short", "wrong_rails"} & set(found.flags)
    assert found.outcome == "unclear" or found.contacts[0].rail == "left"


def test_ball_that_vanishes_on_its_way_to_the_pocket_may_have_dropped() -> None:
    """It is not seen over the lip; nothing was over it, and nobody saw it lie there."""
    kick = Shot("kick", "kick", ("left",), "pocketed", target_pocket="foot-right")
    mouth, start = TABLE.mouth_m("foot-right"), (0.9, 0.3)
    line = aim_rad(start, (float(mouth[0]), float(mouth[1])), ["left"], 2.2, TABLE, STRAIGHT)
    (cue,) = seen(motion_of({"cue": start}, degrees(line), 2.2, physics=STRAIGHT), fps=FPS, until_s=8.0)
    path = tuple(s for s in cue.path if np.hypot(*(s.at_m - mouth)) > 0.09)
    assert [attempt(only_stroke([cue], 8.0), kick, ERRORS).outcome] == ["made"]
    for crowded, outcome in ((False, "unclear"), (True, "missed")):
        # Last seen twice in one place: how fast it was is not known then.
        last = replace(path[-1], time_s=path[-1].time_s + 1 / FPS)
        still = replace(last, time_s=last.time_s + 1 / FPS)
        lost = replace(cue, path=(*path, last, still), lost=(Loss(still.time_s, crowded, still.time_s + 1 / FPS),))
        assert attempt(only_stroke([lost], 8.0), kick, ERRORS).outcome == outcome


@pytest.mark.parametrize(("crowded", "outcome"), [(True, "unclear"), (None, "missed")])
def test_ball_that_something_comes_over_as_it_runs_at_the_pocket_may_have_dropped(
    crowded: bool | None, outcome: str
) -> None:
    place = (2.25, 0.28)
    kick = Shot("one rail", "kick", ("left",), "pocketed", target_ball=place, target_pocket="foot-right")
    ghost = kick.target_point_m(TABLE, np.array(place))
    line = aim_rad((0.9, 0.3), (float(ghost[0]), float(ghost[1])), ["left"], 2.2, TABLE, STRAIGHT)
    motion = motion_of({"cue": (0.9, 0.3), "red": place}, degrees(line), 2.2, physics=STRAIGHT)
    cue, red = seen(motion, fps=FPS, until_s=8.0)
    assert attempt(only_stroke([cue, red], 8.0), kick, ERRORS).outcome == "made"
    path = tuple(s for s in red.path if np.hypot(*(s.at_m - TABLE.mouth_m("foot-right"))) > 0.15)
    loss = () if crowded is None else (Loss(path[-1].time_s, crowded, path[-1].time_s + 1 / FPS),)
    lost = replace(red, rests=red.rests[:1], path=path, lost=loss)
    assert attempt(only_stroke([cue, lost], 8.0), kick, ERRORS).outcome == outcome


def test_leg_that_is_bent_where_nobody_saw_it_hides_a_turn() -> None:
    t = np.concatenate([[0.0], 0.37 + np.arange(6) / FPS])
    bent = np.column_stack([1.57 + 0.6 * t, np.where(t > 0, 0.63 - 0.9 * (t - 0.37), 0.84)])
    straight = np.column_stack([1.57 + 0.6 * t, 0.84 - 0.9 * t])
    assert turned_unseen(Path(t, bent, np.full(len(t), 0.001))) is not None
    assert turned_unseen(Path(t, straight, np.full(len(t), 0.001))) is None
    # Seen all the way, it shows the turn itself.
    assert turned_unseen(Path(np.arange(7) / FPS, bent, np.full(len(t), 0.001))) is None


def test_banked_ball_that_no_picture_shows_under_way_is_lost() -> None:
    balls = seen(motion_of({"cue": (1.17, 0.39), "red": (1.4764, 0.7002)}, 45.0, 2.0), fps=FPS, until_s=12.0)
    gone = [
        replace(b, path=(), rests=b.rests[:1], lost=(Loss(b.rests[0].last_s, False),)) if b.name == "red" else b
        for b in balls
    ]
    found = attempt(only_stroke(gone, 12.0), BANK, ERRORS)
    assert found.outcome == "unclear"
    assert "path_lost" in found.flags
    assert "no_ball_hit" not in found.flags


@pytest.mark.parametrize(
    ("red", "open_still"), [((1.4764, 0.7002), True), ((1.4764, 1.0), False), ((1.0, 0.22), False)]
)
def test_film_that_ends_while_the_cue_ball_is_on_its_way_to_a_ball(red: tuple[float, float], open_still: bool) -> None:
    motion = motion_of({"cue": (1.17, 0.39), "red": red}, 45.0, 2.0)
    ends_s = STRUCK_S + 0.1
    stroke = only_stroke([ball for ball in seen(motion, fps=FPS, until_s=ends_s) if ball.rests], ends_s)
    assert ends_before_a_hit(stroke, TABLE) == open_still
    # Long before the film's end it would have been seen to meet it.
    assert not ends_before_a_hit(replace(stroke, end_s=ends_s + 1.0), TABLE)
    if open_still:
        assert attempt(stroke, BANK, ERRORS).outcome == "unclear"


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize(("bearing_deg", "speed_mps"), [(60.0, 1.6), (80.0, 1.6)])
def test_kick_hidden_as_it_goes_round_its_second_rail_did_not_stop_short(
    bearing_deg: float, speed_mps: float, fps: float
) -> None:
    """Something is over the ball for a moment; it comes away close to where it went under."""
    motion = motion_of({"cue": (1.9, 0.4)}, bearing_deg, speed_mps)
    first, second = motion.rails[:2]
    shot = Shot("position", "kick", (first.rail, second.rail), "pocketed", target_aim=(1.2, 0.6))
    for before_s, after_s in ((0.06, 0.1), (0.1, 0.05), (0.1, 0.1)):
        balls = without(seen(motion, fps=fps, until_s=7.0), second.t_s - before_s, second.t_s + after_s)
        found = attempt(only_stroke(balls, 7.0), shot, ERRORS)
        assert not {"stopped_short", "wrong_rails"} & set(found.flags)
    # It stopped before the rail that it never met.
    alone = Shot("position", "kick", ("left", "head"), "pocketed", target_aim=(1.2, 0.6))
    slow = motion_of({"cue": (1.9, 0.4)}, 120.0, 1.0)
    assert [c.rail for c in slow.rails] == ["left"]
    found = attempt(only_stroke(without(seen(slow, fps=fps), STRUCK_S + 1.5, STRUCK_S + 1.8)), alone, ERRORS)
    assert (found.outcome, "stopped_short" in found.flags) == ("missed", True)


@pytest.mark.parametrize("gap_s", [MET_S - 0.05, *(MET_S + np.arange(5) / FPS)])
def test_film_that_leaves_out_the_hit_or_the_drop_does_not_tell_a_miss(gap_s: float) -> None:
    """A red ball stands in its place again when the film goes on."""
    balls = []
    for ball in seen(made_kick(), fps=FPS, until_s=8.0):
        path = tuple(s for s in ball.path if s.time_s < gap_s)
        rests = ball.rests[:1] if path else (replace(ball.rests[0], last_s=8.0),)
        balls.append(replace(ball, path=path, rests=rests, lost=(Loss(path[-1].time_s, False),) if path else ()))
    assert told(balls, 8.0).outcome != "missed"


@pytest.mark.parametrize(("drifts_mps", "turned", "met"), [(0.1, False, False), (0.1, True, True), (0.0, False, True)])
def test_ball_that_still_comes_nearer_to_a_rail_has_not_met_it(drifts_mps: float, turned: bool, met: bool) -> None:
    """Along the foot rail into its pocket: nearer by millimetres up to the mouth, off again there, or all along it."""
    shot = Shot("kick", "kick", ("left", "foot"), "pocketed", target_pocket="foot-right")
    axis, level = TABLE.track_coordinate("foot")
    assert axis == 0
    t = np.arange(30) / 50
    y = 0.7 - 1.1 * t
    # The pocket's mouth begins some 8 cm from the corner.
    at_mouth_s = float(t[y > 0.1][-1])
    off_m = drifts_mps * np.abs(t - at_mouth_s) if turned else drifts_mps * (at_mouth_s - t)
    off_m = off_m + (0.001 if drifts_mps else 0.004)
    run = Run("cue", (Path(t, np.column_stack([level - off_m, y]), np.full(30, 1e-4)),), ())
    assert _perhaps_met(run, shot, TABLE) == met
