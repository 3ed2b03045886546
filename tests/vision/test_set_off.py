"""How a struck cue ball set off: past a stick that spoils the first sightings, or straight into a ball close by."""

from dataclasses import replace
from math import cos, degrees, radians, sin

import numpy as np
import pytest

from tests.vision.seen import NOISE_M, REST_SD_M, STRUCK_S, TABLE, motion_of, only_stroke, seen
from vision.legs import Path
from vision.reading import BallHit
from vision.set_off import seen_lying, set_off
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, Stroke, find_strokes

START = (0.6, 0.4)


def with_spoilt(ball: Ball, off_m: float) -> Ball:
    """The first sighting pulled aside, as by the ferrule beside the ball."""
    first, *rest = ball.path
    return replace(ball, path=(replace(first, at_m=first.at_m + [0.0, off_m]), *rest))


@pytest.mark.parametrize("off_m", [-0.012, 0.012])
def test_first_sighting_beside_the_stick_may_be_off(off_m: float) -> None:
    (cue,) = seen(motion_of({"cue": START}, 40.0, 2.0), fps=60)
    stroke = only_stroke([with_spoilt(cue, off_m)])
    assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.006)
    assert stroke.launch.speed_mps == pytest.approx(2.0, rel=0.05)


def test_ball_let_go_elsewhere_did_not_set_off_from_its_rest() -> None:
    """Lying still, then out of sight, then rolling on a line that passes its old place: put down by a hand."""
    place, way = np.array(START), np.array([cos(radians(40.0)), sin(radians(40.0))])
    near = Sighting(1.03, place + 0.01 * way, NOISE_M, True)
    rolling = [Sighting(1.23 + k / 30, place + (0.12 + 0.015 * k) * way, NOISE_M, False) for k in range(40)]
    ball = Ball("cue", (Rest(place, REST_SD_M, 0.7, 1.0, 11),), (near, *rolling), ())
    strokes, others = find_strokes([ball], TABLE, 12.0)
    assert strokes == []
    assert [o.why for o in others] == ["the cue ball was rolled by hand"]


def test_ball_put_down_elsewhere_did_not_set_off() -> None:
    """It vanished under a hand and lay elsewhere when it was seen again: its first sightings there, as a film showed
    them, lie micrometres apart, on a line that may pass anywhere."""
    place = np.array([1.4725116606953916, 0.9893467331389192])
    times = np.array([17.333333333333332, 17.366666666666667, 17.4])
    there = np.array(
        [
            [1.5872727363682404, 0.35213475936486316],
            [1.5872544427903599, 0.35212295125523757],
            [1.5872560725105536, 0.3521273653346446],
        ]
    )
    sds = np.array([0.00029984707576053, 0.00024950346700785, 0.00026386770441395])
    assert set_off(Rest(place, 7.1e-05, 14.2, 16.2, 43), Path(times, there, sds)) is None


def test_ball_brushed_so_softly_that_no_kink_shows_had_been_struck() -> None:
    """Its path bends by as much as a thin hit bends it; where it set off is told by its first moments."""
    told = 0
    rng = np.random.default_rng(6)
    for k in range(12):
        bearing, speed = rng.uniform(20, 60), rng.uniform(0.55, 0.75)
        way = np.array([cos(radians(bearing)), sin(radians(bearing))])
        aside = rng.uniform(1.4, 1.7) * TABLE.ball_radius_m * np.array([-way[1], way[0]])
        red = np.array(START) + 0.35 * way + aside
        motion = motion_of({"cue": START, "red": (float(red[0]), float(red[1]))}, bearing, speed)
        assert motion.balls
        strokes, _ = find_strokes(seen(motion, until_s=8.0, seed=k), TABLE, 8.0)
        told += len(strokes)
        assert all(abs(s.launch.speed_mps - speed) < 0.05 * speed for s in strokes)
    assert told == 12


def close_hit(*, apart_m: float, fps: float, speed_mps: float, cut_deg: float) -> tuple[Stroke, BallHit, float]:
    """A ball ``apart_m`` ahead (surface to surface), struck at a cut; the true contact and the cue ball's true line."""
    bearing = 40.0
    line = radians(bearing + cut_deg)
    way = np.array([cos(radians(bearing)), sin(radians(bearing))])
    centre = np.array(START) + apart_m * way + 2 * TABLE.ball_radius_m * np.array([cos(line), sin(line)])
    motion = motion_of({"cue": START, "red": (float(centre[0]), float(centre[1]))}, bearing, speed_mps)
    stroke = only_stroke(seen(motion, fps=fps, noise_m=0.0002))
    met = motion.balls[0]
    return stroke, BallHit(met.t_s, met.balls, met.at_m[0]), bearing


@pytest.mark.parametrize("fps", [24.0, 30.0])
@pytest.mark.parametrize("apart_m", [0.06, 0.12, 0.2])
@pytest.mark.parametrize("cut_deg", [0.0, 25.0, -40.0])
def test_ball_met_within_a_few_frames(apart_m: float, fps: float, cut_deg: float) -> None:
    stroke, met, bearing = close_hit(apart_m=apart_m, fps=fps, speed_mps=3.0, cut_deg=cut_deg)
    hit = stroke.cue.junctions[0]
    assert isinstance(hit, BallHit)
    assert hit.balls == ("cue", "red")
    assert hit.t_s == pytest.approx(met.t_s, abs=0.004)
    assert hit.at_m == pytest.approx(met.at_m, abs=0.004)
    assert stroke.launch.speed_mps == pytest.approx(3.0, rel=0.12)
    ahead = stroke.cue.legs[0].xy[-1] - stroke.rest.at_m
    assert degrees(np.arctan2(ahead[1], ahead[0])) == pytest.approx(bearing, abs=3.0)


def test_red_ball_that_sets_off_by_itself_is_no_stroke() -> None:
    """The cue ball is carried aside while another ball is struck far away: no line of centres joins the two."""
    motion = motion_of({"cue": (0.5, 0.9)}, 10.0, 2.0)
    red = replace(seen(motion)[0], name="red")
    place = np.array([1.8, 0.3])
    carried = tuple(Sighting(1.05 + k / 60, place + [0.3, 0.02 * k], NOISE_M, True) for k in range(12))
    cue = Ball("cue", (Rest(place, REST_SD_M, 0.0, 1.0, 40),), carried, ())
    strokes, others = find_strokes([cue, red], TABLE, 12.0)
    assert strokes == []
    assert len(others) == 1


def test_ball_seen_unsurely_under_a_hand_lay_there_still() -> None:
    """Sightings that could not show a move are of the ball where it lay: it was struck after them, into a rail."""
    motion = motion_of({"cue": (1.33, 1.106)}, 42.0, 3.8)
    (cue,) = seen(motion, fps=30.0)
    rail_s = motion.rails[0].t_s
    under = tuple(Sighting(0.8 + k / 30, cue.rests[0].at_m + [0.002, 0.0015], 0.01, True) for k in range(6))
    lay = replace(cue.rests[0], last_s=0.77)
    path = (*under, *(s for s in cue.path if s.time_s > rail_s))
    stroke = only_stroke([replace(cue, rests=(lay, *cue.rests[1:]), path=path)])
    assert stroke.rest.last_s == under[-1].time_s
    assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.02)
    assert stroke.cue.rail_hits[0].rail == "left"


def test_unsure_sight_of_a_ball_in_its_place_does_not_tell_that_it_surely_lay_there() -> None:
    rest = Rest(np.array(START), REST_SD_M, 0.0, 1.0, 30)
    unsure = Sighting(1.1, rest.at_m + [0.006, 0.0], 0.012, True)
    sure = Sighting(1.13, rest.at_m + [0.06, 0.0], NOISE_M, False)
    lay, moving = seen_lying(rest, [unsure, sure])
    assert moving == [sure]
    assert (lay.last_s, lay.surely_s) == (1.1, 1.0)
