"""Contacts that only the ball that was met tells of: close behind a rail, or within a leg."""

from dataclasses import replace
from math import cos, degrees, radians, sin

import numpy as np
import pytest

from calibration.table import Vector
from tests.rendering.motion import Motion
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.contacts.knocks import Departure, departure, with_knocks
from vision.contacts.run import Run
from vision.legs import Path
from vision.reading import BallHit, RailHit
from vision.sightings import Rest, Sighting
from vision.strokes import Ball

START, BEARING_DEG, SPEED_MPS, FAST_MPS = (0.9, 0.5), 50.0, 2.0, 2.5
# From the rail to the ball, in seconds, and frames a second.
GAPS = [(0.02, 60.0), (0.03, 60.0), (0.05, 60.0), (0.03, 30.0), (0.04, 30.0), (0.05, 30.0), (0.1, 30.0), (0.2, 30.0)]


def close_behind_a_rail(gap_s: float, cut_deg: float) -> Motion:
    """A kick off the left rail into a ball that it meets so long after the rail, ``cut_deg`` off full."""
    alone = motion_of({"cue": START}, BEARING_DEG, SPEED_MPS)
    rail_s = next(leg.t_s for leg in alone.legs if leg.ball == "cue" and leg.t_s > alone.legs[0].t_s)
    here, soon = (alone.where("cue", rail_s + gap_s + later) for later in (0.0, 0.004))
    assert here is not None
    assert soon is not None
    ahead = np.arctan2(*(soon - here)[::-1]) + radians(cut_deg)
    red = here + (2 * TABLE.ball_radius_m + 1e-4) * np.array([cos(ahead), sin(ahead)])
    return motion_of({"cue": START, "red": (float(red[0]), float(red[1]))}, BEARING_DEG, SPEED_MPS)


@pytest.mark.parametrize("cut_deg", [-35.0, 0.0, 35.0])
@pytest.mark.parametrize(("gap_s", "fps"), GAPS)
def test_ball_met_close_behind_a_rail_is_told(gap_s: float, cut_deg: float, fps: float) -> None:
    motion = close_behind_a_rail(gap_s, cut_deg)
    met_s = next(leg.t_s for leg in motion.legs if leg.ball == "red")
    where = motion.where("cue", met_s)
    stroke = only_stroke(seen(motion, fps=fps, until_s=6.0))
    junctions = [j for j in stroke.cue.junctions if j is not None]
    assert isinstance(junctions[0], RailHit)
    assert junctions[0].rail == "left"
    assert isinstance(junctions[1], BallHit)
    assert junctions[1].balls == ("cue", "red")
    assert junctions[1].t_s == pytest.approx(met_s, abs=0.012)
    assert junctions[1].at_m == pytest.approx(where, abs=0.010)
    assert len(stroke.cue.legs) == len(stroke.cue.junctions) + 1
    assert len([h for h in stroke.cue.ball_hits if "red" in h.balls]) == 1


def close_before_a_rail(gap_s: float, cut_deg: float) -> Motion:
    """A kick that meets a ball so long before the left rail, ``cut_deg`` off full."""
    alone = motion_of({"cue": START}, BEARING_DEG, FAST_MPS)
    rail_s = next(leg.t_s for leg in alone.legs if leg.ball == "cue" and leg.t_s > alone.legs[0].t_s)
    here = alone.where("cue", rail_s - gap_s)
    assert here is not None
    ahead = radians(BEARING_DEG + cut_deg)
    red = here + (2 * TABLE.ball_radius_m + 1e-4) * np.array([cos(ahead), sin(ahead)])
    return motion_of({"cue": START, "red": (float(red[0]), float(red[1]))}, BEARING_DEG, FAST_MPS)


@pytest.mark.parametrize(
    ("gap_s", "cut_deg"), [(0.015, -60.0), (0.03, -60.0), (0.045, -60.0), (0.045, 60.0), (0.06, -60.0), (0.06, 60.0)]
)
@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
def test_ball_met_thinly_close_before_a_rail_is_told(gap_s: float, cut_deg: float, fps: float) -> None:
    """What the path before and after shows is one kink, at the rail; and it met the rail elsewhere than on its line."""
    motion = close_before_a_rail(gap_s, cut_deg)
    met, rail = motion.balls[0], next(c for c in motion.rails if c.ball == "cue")
    assert 0 < rail.t_s - met.t_s < 0.13
    stroke = only_stroke(seen(motion, fps=fps, until_s=6.0))
    first, second = stroke.cue.junctions[:2]
    assert isinstance(first, BallHit)
    assert first.t_s == pytest.approx(met.t_s, abs=0.012)
    assert isinstance(second, RailHit)
    assert second.rail == "left"
    assert second.at_m == pytest.approx(rail.at_m, abs=0.008)


@pytest.mark.parametrize("gap_m", [0.002, 0.005, 0.01, 0.03])
def test_ball_near_a_rail_that_is_hit_directly_makes_no_rail(gap_m: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the contacts with rails none is there because of the ball that set off."""
    rng = np.random.default_rng(3)
    direct = 0
    for _ in range(15):
        red = np.array([rng.uniform(1.0, 2.1), TABLE.track_offset_m + gap_m])
        start = np.array([red[0] - rng.uniform(0.3, 1.2), rng.uniform(0.2, 0.9)])
        ahead = (red - start) / np.hypot(*(red - start))
        aim = red + rng.uniform(-1, 1) * TABLE.ball_radius_m * np.array([-ahead[1], ahead[0]]) - start
        starts = {"cue": (float(start[0]), float(start[1])), "red": (float(red[0]), float(red[1]))}
        motion = motion_of(starts, degrees(np.arctan2(aim[1], aim[0])), rng.uniform(0.8, 2.0))
        met_s = next(leg.t_s for leg in motion.legs if leg.ball == "red")
        if any(motion.legs[0].t_s < leg.t_s < met_s for leg in motion.legs):
            continue
        direct += 1
        balls = seen(motion, fps=30.0, until_s=6.0)
        told = only_stroke(balls).cue.rail_hits
        with monkeypatch.context() as patched:
            patched.setattr("vision.strokes.with_knocks", lambda run, departures, table: run)
            assert len(told) <= len(only_stroke(balls).cue.rail_hits)
    assert direct >= 8


def straight_run(t: Vector) -> Run:
    return Run("cue", (Path(t, np.column_stack([0.5 + t, np.full(len(t), 0.6)]), np.full(len(t), 3e-4)),), ())


def test_contact_within_a_leg_cuts_it() -> None:
    run = with_knocks(straight_run(np.arange(0, 1, 1 / 30)), {"red": Departure(0.5, np.array([1.0, 0.605]))}, TABLE)
    assert [h.balls for h in run.ball_hits] == [("cue", "red")]
    assert [float(leg.t[-1]) < 0.5 for leg in run.legs] == [True, False]


@pytest.mark.parametrize("met_at_m", [(1.0, 0.66), (1.1, 0.6)])
def test_ball_that_left_from_elsewhere_was_not_met(met_at_m: tuple[float, float]) -> None:
    run = straight_run(np.arange(0, 1, 1 / 30))
    assert with_knocks(run, {"red": Departure(0.5, np.array(met_at_m))}, TABLE) is run
    assert with_knocks(run, {"red": Departure(1.4, np.array([1.9, 0.6]))}, TABLE) is run


def test_departure_is_on_the_line_of_centres() -> None:
    t = np.arange(2.02, 2.4, 1 / 30)
    along = 0.6 * (t - 2.0)
    path = Path(t, np.column_stack([1.0 + along * cos(0.5), 0.4 + along * sin(0.5)]), np.full(len(t), 3e-4))
    rest = Rest(np.array([1.0, 0.4]), 2e-4, 0.0, 1.99, 40)
    found = departure(rest, path, TABLE)
    assert found is not None
    assert found.time_s == pytest.approx(2.0, abs=0.002)
    far = 2 * TABLE.ball_radius_m
    assert found.met_at_m == pytest.approx([1.0 - far * cos(0.5), 0.4 - far * sin(0.5)], abs=0.001)
    assert departure(rest, path.part(slice(0, 2)), TABLE) is None
    crept = replace(path, xy=rest.at_m + (path.xy - rest.at_m) * 0.05)
    assert departure(rest, crept, TABLE) is None


@pytest.mark.parametrize("gap_m", [0.0, 0.002, 0.005])
@pytest.mark.parametrize("into_deg", [15.0, 30.0, 50.0])
def test_ball_sent_into_the_rail_that_it_lies_at_tells_who_met_it(gap_m: float, into_deg: float) -> None:
    """It is first seen as it comes off the rail: behind it there is no room for another one."""
    red = np.array([1.5, TABLE.track_offset_m + gap_m])
    sent = np.array([cos(radians(into_deg)), -sin(radians(into_deg))])
    cue = red - 2 * TABLE.ball_radius_m * sent
    t, speed = np.arange(2.02, 2.4, 1 / 30), 1.2
    # The normal part of its speed comes back by a good half to nine tenths.
    off = np.array([sent[0], -0.75 * sent[1]]) * speed
    rail_m = red + sent * gap_m / -sent[1]
    path = Path(t, rail_m + off * (t - 2.0 - gap_m / speed)[:, None], np.full(len(t), 3e-4))
    found = departure(Rest(red, 2e-4, 0.0, 1.99, 40), path, TABLE)
    assert found is not None
    assert found.met_at_m == pytest.approx(cue, abs=0.012)


@pytest.mark.parametrize("seed", range(6))
def test_ball_frozen_to_a_rail_is_told_to_be_met_close_behind_that_rail(seed: int) -> None:
    """The cue ball comes off the rail just before; both contacts make one kink in its path."""
    rng = np.random.default_rng(seed)
    bearing = -float(rng.uniform(18, 24))
    alone = motion_of({"cue": START}, bearing, FAST_MPS)
    rail = next(c for c in alone.rails if c.rail == "right")
    here = alone.where("cue", rail.t_s + float(rng.uniform(0.04, 0.07)))
    assert here is not None
    level = TABLE.track_offset_m
    ahead = np.sqrt((2 * TABLE.ball_radius_m) ** 2 - (here[1] - level) ** 2)
    motion = motion_of({"cue": START, "red": (float(here[0] + ahead), level)}, bearing, FAST_MPS)
    assert motion.balls[0].balls == ("cue", "red")
    stroke = only_stroke(seen(motion, fps=25.0, until_s=6.0))
    assert [h.balls for h in stroke.cue.ball_hits][:1] == [("cue", "red")]
    assert stroke.cue.ball_hits[0].t_s == pytest.approx(motion.balls[0].t_s, abs=0.03)


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize("ahead_m", [0.06, 0.07, 0.08])
def test_ball_at_a_rail_met_just_after_that_rail_was_hit(ahead_m: float, fps: float) -> None:
    """Hardly a frame shows the ball between the rail and the other one, which seems to lie still when it has left."""
    start, bearing_deg = (0.2, 0.75), 32.0
    (rail, *_) = motion_of({"cue": start}, bearing_deg, 3.6).rails
    frozen = (float(rail.at_m[0]) + ahead_m, TABLE.width_m - TABLE.track_offset_m)
    motion = motion_of({"cue": start, "red": frozen}, bearing_deg, 3.6)
    hit = motion.balls[0]
    assert hit.balls == ("cue", "red")
    assert 0 <= hit.t_s - motion.rails[0].t_s < 0.06
    # Frames fall otherwise each time.
    for share in (1.0, 1.015, 1.03):
        run = only_stroke(seen(motion, fps=share * fps, until_s=2.5), 2.5).cue
        assert [j.rail if isinstance(j, RailHit) else j.balls for j in run.junctions[:2] if j] == ["left", hit.balls]


@pytest.mark.parametrize("seed", range(4))
def test_ball_that_seems_to_lie_there_when_another_has_run_into_it(seed: int) -> None:
    """Both are one outline then, which tells that it lies there but not that it has moved, and nothing of the other."""
    rng = np.random.default_rng(seed)
    start, bearing_deg = (0.6, 1.0), 14.0 + float(rng.uniform(-2, 2))
    (rail, *_) = motion_of({"cue": start}, bearing_deg, 3.6).rails
    frozen = (float(rail.at_m[0]) + float(rng.uniform(0.15, 0.2)), TABLE.width_m - TABLE.track_offset_m)
    motion = motion_of({"cue": start, "red": frozen}, bearing_deg, 3.6)
    assert motion.balls[0].balls == ("cue", "red")
    cue, red = seen(motion, fps=24.0, until_s=2.5)
    lay = red.rests[0]
    soon_s = next(s.time_s for s in red.path)
    shown = tuple(s for s in cue.path if s.time_s != soon_s)
    seems = replace(lay, last_s=soon_s, told_s=lay.last_s)
    stroke = only_stroke([replace(cue, path=shown), replace(red, rests=(seems,), path=red.path[1:])], 2.5)
    assert [hit.balls for hit in stroke.cue.ball_hits] == [("cue", "red")]
    assert stroke.cue.ball_hits[0].t_s == pytest.approx(motion.balls[0].t_s, abs=0.015)


@pytest.mark.parametrize(("out_of_sight_s", "aside_m"), [(0.1, 0.1), (0.2, 0.15), (0.4, 0.2)])
def test_ball_pushed_aside_while_another_passes_out_of_sight_was_not_met(out_of_sight_s: float, aside_m: float) -> None:
    """The one that passes goes straight on: however long it was out of sight, it was not where it would have met it."""
    (cue,) = seen(motion_of({"cue": (0.4, 0.6)}, 0.0, 2.5), fps=30.0, until_s=6.0)
    passes_s = next(s.time_s for s in cue.path if s.at_m[0] > 1.3)
    shown = tuple(s for s in cue.path if abs(s.time_s - passes_s) >= out_of_sight_s / 2)
    lay, lies = np.array([1.3, 0.6 + aside_m]), np.array([1.3, 0.85 + aside_m])
    pushed = tuple(
        Sighting(passes_s + k / 30, lay + (lies - lay) * k / 15, 0.0003, in_crowd=False) for k in range(1, 16)
    )
    rests = (Rest(lay, 0.0002, 0.0, passes_s, 40), Rest(lies, 0.0002, pushed[-1].time_s + 0.03, 6.0, 40))
    red = Ball("red", rests, pushed, ())
    junctions = only_stroke([replace(cue, path=shown), red], 6.0).cue.junctions
    assert [hit.rail for hit in junctions if isinstance(hit, RailHit)] == ["foot", "head"]
    assert len(junctions) == 2
