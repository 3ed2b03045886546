"""Balls close to a rail that the cue ball sends straight into it: back off the rail within a frame or two."""

from dataclasses import dataclass, replace
from math import cos, degrees, pi, radians, sin

import numpy as np
import pytest

from calibration.table import RAILS, Rail
from tests.rendering.motion import Motion, RailTruth
from tests.vision.aimed import ERRORS
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.contacts.sent_into_rail import Sent as SentOff
from vision.contacts.sent_into_rail import first_rail, has_rubber, seen_to_meet, sent_by
from vision.legs import Line, Path
from vision.outcome import attempt
from vision.reading import BallHit
from vision.shot import Shot
from vision.sightings import Rest
from vision.strokes import find_strokes


@dataclass(frozen=True)
class Sent:
    """What happens to a red ball ``gap_m`` from the track line of a rail, and the first contact it has there."""

    motion: Motion
    rail: Rail
    gap_m: float
    contact: RailTruth


def sent_into(count: int, seed: int, gaps_m: tuple[float, float] = (0.001, 0.04)) -> list[Sent]:
    """Hits no more than half full off, from anywhere within sixty degrees of square, soft to firm."""
    rng = np.random.default_rng(seed)
    size = np.array([TABLE.length_m, TABLE.width_m])
    found: list[Sent] = []
    while len(found) < count:
        rail = RAILS[rng.integers(4)]
        axis, level = TABLE.track_coordinate(rail)
        gap_m = rng.uniform(*gaps_m)
        red = np.full(2, level + (gap_m if rail in ("head", "right") else -gap_m))
        red[1 - axis] = rng.uniform(0.2, size[1 - axis] - 0.2)
        start = rng.uniform(0.1, size - 0.1)
        way = red - start
        if np.hypot(*way) < 0.25 or abs(way[axis]) < 0.5 * np.hypot(*way):
            continue
        aside = np.array([-way[1], way[0]]) / np.hypot(*way)
        aim = way + rng.uniform(-1.0, 1.0) * TABLE.ball_radius_m * aside
        starts = {"cue": (float(start[0]), float(start[1])), "red": (float(red[0]), float(red[1]))}
        motion = motion_of(starts, degrees(np.arctan2(aim[1], aim[0])), rng.uniform(1.0, 3.5))
        met = [c for c in motion.rails if c.ball == "red"]
        # The red ball goes there first, soon, and the cue ball came straight.
        if motion.balls and met and met[0].rail == rail and met[0] is motion.rails[0] and met[0].t_s < 3:
            found.append(Sent(motion, rail, gap_m, met[0]))
    return found


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_rail_that_a_ball_is_sent_into_at_once_is_told(fps: float) -> None:
    off_m, off_s, told = [], [], 0
    cases = sent_into(30, seed=2)
    for k, case in enumerate(cases):
        strokes, _ = find_strokes(seen(case.motion, fps=fps, until_s=4.0, seed=k), TABLE, 4.0)
        run = strokes[0].others["red"]
        hit = run.rail_hits[0] if run.rail_hits else None
        if hit is not None and hit.rail == case.rail and abs(hit.t_s - case.contact.t_s) < 0.03:
            told += 1
            off_m.append(float(np.hypot(*(hit.at_m - case.contact.at_m))) / hit.at_sd_m)
            off_s.append(hit.t_s - case.contact.t_s)
    assert told >= 29
    assert 0.5 < np.sqrt(np.mean(np.square(off_m))) < 1.5
    assert np.sqrt(np.mean(np.square(off_s))) < 0.007


def test_the_way_there_starts_where_the_ball_lay() -> None:
    case = sent_into(1, seed=4)[0]
    stroke = only_stroke(seen(case.motion, fps=30.0, until_s=4.0), 4.0)
    run, met_s = stroke.others["red"], case.motion.balls[0].t_s
    assert run.legs[0].xy[0] == pytest.approx(stroke.resting["red"].at_m, abs=1e-4)
    assert run.legs[0].t[0] == pytest.approx(met_s, abs=0.003)
    assert run.legs[0].xy[-1] == pytest.approx(case.contact.at_m, abs=0.006)
    # Nothing that was seen after the contact counts as before it.
    assert (run.legs[1].t > case.contact.t_s - 0.002).all()
    assert len(run.legs) == len(run.junctions) + 1
    # The cue ball, with the red ball in its way, met that and not the rail behind.
    first = stroke.cue.junctions[0]
    assert isinstance(first, BallHit)
    assert first.t_s == pytest.approx(met_s, abs=0.004)


def test_nothing_is_put_in_where_a_ball_is_sent_along_or_away() -> None:
    case = sent_into(1, seed=4)[0]
    stroke = only_stroke(seen(case.motion, fps=30.0, until_s=4.0), 4.0)
    rest, path = stroke.resting["red"], stroke.others["red"].legs[1]
    sent = sent_by(stroke.cue, rest, "red", TABLE)
    assert sent is not None
    assert sent_by(stroke.cue, rest, "blue", TABLE) is None
    found = first_rail(rest, path, sent, TABLE)
    assert found is not None
    assert found.hit.rail == case.rail
    axis, _ = TABLE.track_coordinate(case.rail)
    along = 0.0 if axis == 1 else np.pi / 2
    for bearing in (along, along + np.pi, sent.line.bearing_rad + np.pi):
        other_way = replace(sent, line=replace(sent.line, bearing_rad=float(bearing)))
        assert first_rail(rest, path, other_way, TABLE) is None
    # Sent softly it gets there in sight; with nothing seen after it, nothing is known.
    assert first_rail(rest, path, replace(sent, speed_mps=0.05), TABLE) is None
    assert first_rail(rest, path.part(slice(0, 2)), sent, TABLE) is None


@pytest.mark.parametrize("behind_m", [0.0, 0.002])
def test_ball_that_touches_the_rail_comes_off_it_too(behind_m: float) -> None:
    """It may even seem a little behind the track line."""
    case = sent_into(1, seed=4)[0]
    stroke = only_stroke(seen(case.motion, fps=30.0, until_s=4.0), 4.0)
    sent = sent_by(stroke.cue, stroke.resting["red"], "red", TABLE)
    assert sent is not None
    axis, level = TABLE.track_coordinate(case.rail)
    place = stroke.resting["red"].at_m.copy()
    place[axis] = level + (behind_m if case.rail in ("foot", "left") else -behind_m)
    rest = replace(stroke.resting["red"], at_m=place)
    sent = replace(sent, line=replace(sent.line, through_m=place))
    found = first_rail(rest, stroke.others["red"].legs[1], sent, TABLE)
    assert found is not None
    assert found.hit.rail == case.rail
    assert found.way.t[1] > found.way.t[0]
    assert np.isfinite(found.hit.speed_out_mps)


def test_rail_that_the_sightings_show_is_left_as_it_was_measured() -> None:
    case = sent_into(1, seed=4)[0]
    run = only_stroke(seen(case.motion, fps=240.0, until_s=4.0), 4.0).others["red"]
    hit = run.rail_hits[0]
    assert seen_to_meet(run, hit) == (len(run.legs[0]) >= 4)
    assert not seen_to_meet(run, replace(hit, t_s=hit.t_s + 0.2))
    assert not seen_to_meet(replace(run, legs=run.legs[:1], junctions=()), hit)


def test_no_rail_in_the_mouth_of_a_pocket() -> None:
    middle, mouth = TABLE.length_m / 2, TABLE.side_mouth_m / 2
    assert has_rubber("left", np.array([middle + mouth + 0.01, 1.24]), TABLE)
    assert not has_rubber("left", np.array([middle + mouth - 0.01, 1.24]), TABLE)
    # Across the table there is no side pocket.
    assert has_rubber("foot", np.array([2.51, TABLE.width_m / 2]), TABLE)
    assert not has_rubber("foot", np.array([2.51, 0.05]), TABLE)


@pytest.mark.parametrize("fps", [24.0, 60.0])
def test_rail_that_a_ball_was_sent_into_out_of_sight_is_told(fps: float) -> None:
    """A fast dark ball on a dark cloth, which no frame shows until it is back off the rail and slower."""
    off_m, off_s = [], []
    cases = [c for c in sent_into(24, seed=6, gaps_m=(0.2, 0.45)) if c.contact.t_s - c.motion.balls[0].t_s < 0.4]
    for k, case in enumerate(cases):
        balls = [
            replace(b, path=tuple(s for s in b.path if b.name != "red" or s.time_s > case.contact.t_s + 0.06))
            for b in seen(case.motion, fps=fps, until_s=4.0, seed=k)
        ]
        strokes, _ = find_strokes(balls, TABLE, 4.0)
        hits = strokes[0].others["red"].rail_hits if strokes and "red" in strokes[0].others else ()
        hit = next((h for h in hits if h.rail == case.rail and abs(h.t_s - case.contact.t_s) < 0.1), None)
        if hit is not None:
            off_m.append(float(np.hypot(*(hit.at_m - case.contact.at_m))) / hit.at_sd_m)
            off_s.append(hit.t_s - case.contact.t_s)
    assert len(off_m) >= 0.8 * len(cases)
    assert 0.3 < np.sqrt(np.mean(np.square(off_m))) < 1.5
    assert np.sqrt(np.mean(np.square(off_s))) < 0.02


@pytest.mark.parametrize("sightings", [1, 2])
def test_ball_first_seen_long_after_a_rail_set_off_as_it_was_sent(sightings: int) -> None:
    """A fast ball that no frame shows on its way to the rail, and few after it: not struck to where it is seen."""
    told, off_rad = 0, []
    cases = sent_into(30, seed=6, gaps_m=(0.08, 0.3))
    for k, case in enumerate(cases):
        since_s = case.contact.t_s + 0.25
        balls = [
            replace(b, path=tuple(s for s in b.path if s.time_s > since_s)[:sightings], rests=b.rests[:1])
            if b.name == "red"
            else b
            for b in seen(case.motion, fps=30.0, until_s=4.0, seed=k)
        ]
        strokes, _ = find_strokes(balls, TABLE, 4.0)
        run = strokes[0].others["red"]
        way, truth = (
            run.legs[0].xy[-1] - strokes[0].resting["red"].at_m,
            case.motion.leg_at("red", case.motion.balls[0].t_s),
        )
        assert truth is not None
        sent = truth.velocity_at(truth.t_s)
        off_rad.append(abs(float(np.angle(complex(*way) / complex(*sent)))))
        told += bool(run.rail_hits) and run.rail_hits[0].rail == case.rail
    assert max(off_rad) < 0.2
    assert told >= 24


@pytest.mark.parametrize("shown", [1, 2, 3])
def test_rail_met_out_of_sight_by_a_ball_that_few_frames_show_before_is_told(shown: int) -> None:
    """A dark ball, fast at first: few frames show it on its way, none as it comes off the rail."""
    told = 0
    cases = [c for c in sent_into(16, seed=11, gaps_m=(0.2, 0.45)) if c.contact.t_s - c.motion.balls[0].t_s > 0.14]
    assert len(cases) > 5
    for k, case in enumerate(cases):
        met_s, rail_s = case.motion.balls[0].t_s, case.contact.t_s
        balls = seen(case.motion, fps=30.0, until_s=4.0, noise_m=0.003, seed=k)
        red = next(ball for ball in balls if ball.name == "red")
        on_way = [s for s in red.path if met_s + 0.02 < s.time_s < rail_s - 0.02][:shown]
        path = (*on_way, *(s for s in red.path if s.time_s > rail_s + 0.1))
        hidden = [replace(ball, path=path) if ball.name == "red" else ball for ball in balls]
        strokes, _ = find_strokes(hidden, TABLE, 4.0)
        hits = strokes[0].others["red"].rail_hits
        told += any(hit.rail == case.rail and abs(hit.t_s - rail_s) < 0.05 for hit in hits)
    assert told > 0.8 * len(cases)


@pytest.mark.parametrize("fps", [24.0, 30.0])
@pytest.mark.parametrize(("gap_m", "aside_m"), [(0.06, 0.03), (0.08, 0.035), (0.1, 0.04)])
def test_ball_sent_towards_a_rail_that_meets_another_before(gap_m: float, aside_m: float, fps: float) -> None:
    """It met no rail: it comes away from the other ball. How it set off is told by the one that sent it."""
    red, sent = np.array([1.1, 0.3]), np.array([cos(radians(-43)), sin(radians(-43))])
    yellow = red + (gap_m + 2 * TABLE.ball_radius_m) * sent - aside_m * np.array([-sent[1], sent[0]])
    cue = red - 2 * TABLE.ball_radius_m * sent + 0.6 * np.array([cos(radians(128)), sin(radians(128))])
    starts = {name: (float(at[0]), float(at[1])) for name, at in (("cue", cue), ("red", red), ("yellow", yellow))}
    motion = motion_of(starts, -52.0, 5.0)
    assert [hit.balls for hit in motion.balls[:2]] == [("cue", "red"), ("red", "yellow")]
    stroke = only_stroke(seen(motion, fps=fps, until_s=3.0), 3.0)
    found = attempt(stroke, Shot("bank", "bank", ("right",), "pocketed", target_pocket="foot-left"), ERRORS)
    assert [hit.balls for hit in found.ball_contacts[:2]] == [("cue", "red"), ("red", "yellow")]
    assert found.ball_contacts[1].t_s == pytest.approx(motion.balls[1].t_s, abs=0.015)
    assert "wrong_ball_first" in found.flags
    leg = motion.leg_at("red", motion.balls[0].t_s)
    assert leg is not None
    velocity = leg.velocity_at(leg.t_s)
    assert abs(found.bearing_rad % (2 * pi) - np.arctan2(*velocity[::-1]) % (2 * pi)) < 4 * found.bearing_sd_rad
    assert abs(found.speed_mps - np.hypot(*velocity)) < 4 * found.speed_sd_mps


@pytest.mark.parametrize("fps", [15.0, 30.0, 120.0])
def test_rail_met_squarely_out_of_sight_is_told_by_the_way_back(fps: float) -> None:
    """Seen again on the line on which it was sent, but coming back along it, the ball met the rail before."""
    # From the side, so that the cue ball is out of its way.
    cue = (1.0 - 0.4 * float(np.cos(1.0)), 0.8 - 2 * TABLE.ball_radius_m - 0.4 * float(np.sin(1.0)))
    motion = motion_of({"cue": cue, "red": (1.0, 0.8)}, degrees(1.0), 1.8)
    met_s, true = motion.balls[0].t_s, next(c for c in motion.rails if c.ball == "red")
    assert true.rail == "left"
    balls = [
        replace(ball, path=tuple(s for s in ball.path if not met_s - 0.02 < s.time_s < true.t_s + 0.3))
        for ball in seen(motion, fps=fps, until_s=5.0, seed=4)
    ]
    run = only_stroke(balls, 5.0).others["red"]
    assert run.rail_hits[0].rail == "left"
    assert run.rail_hits[0].at_m[0] == pytest.approx(true.at_m[0], abs=3 * run.rail_hits[0].at_sd_m)


def test_rail_is_not_told_by_a_leg_that_does_not_come_from_it() -> None:
    """Seen again after a second rail, on its way to the first one, a ball shows nothing of how it came off that."""
    path = Path(
        np.arange(6) / 60 + 1.7, np.array([1.6, 1.24]) + np.outer(np.arange(6), [0.008, -0.012]), np.full(6, 3e-4)
    )
    rest = Rest(np.array([0.8, 0.2]), 2e-4, 0.0, 1.0, 30)
    sent = SentOff(1.0, Line(rest.at_m, np.radians(300.0), 0.02, 2e-4), 2.5)
    assert first_rail(rest, path, sent, TABLE) is None


def test_ball_that_was_met_out_of_sight_is_known_to_be_sent_less_surely() -> None:
    motion = motion_of({"cue": (0.6, 0.4), "red": (1.3, 0.75)}, 27.0, 2.2)
    met_s = motion.balls[0].t_s
    sds = []
    for hidden_s in (0.0, 0.25):
        balls = [
            replace(ball, path=tuple(s for s in ball.path if not met_s - hidden_s < s.time_s < met_s + hidden_s))
            for ball in seen(motion, fps=60.0, until_s=5.0, seed=1)
        ]
        stroke = only_stroke(balls, 5.0)
        sent = sent_by(stroke.cue, stroke.resting["red"], "red", TABLE)
        assert sent is not None
        assert abs(sent.time_s - met_s) < 3 * sent.time_sd_s
        sds.append((sent.time_sd_s, sent.speed_sd_mps))
    assert sds[1][0] > sds[0][0]
    assert sds[1][1] > 1.05 * sds[0][1]


def test_a_moment_that_is_not_known_tells_no_speed() -> None:
    """The leg that ends at a contact told 30 ms early says where the ball came to, not how fast it came there."""
    motion = motion_of({"cue": (0.85, 0.55), "red": (1.08, 0.47)}, 347.6, 2.2)
    stroke = only_stroke(seen(motion, fps=30.0, until_s=5.0, seed=1), 5.0)
    hit, leg = stroke.cue.ball_hits[0], stroke.cue.legs[0]
    early = replace(hit, t_s=hit.t_s - 0.03, t_sd_s=0.03)
    sighted = leg.part(leg.t < early.t_s - 0.02)
    assert len(sighted) >= 2
    to_the_hit = Path(
        np.append(sighted.t, early.t_s), np.vstack([sighted.xy, hit.at_m]), np.append(sighted.sd, sighted.sd[-1])
    )
    junctions = tuple(early if junction is hit else junction for junction in stroke.cue.junctions)
    met = replace(stroke.cue, legs=(to_the_hit, *stroke.cue.legs[1:]), junctions=junctions)
    red = motion.leg_at("red", motion.balls[0].t_s)
    true_mps = float(np.hypot(*red.velocity_at(red.t_s)))
    sent = sent_by(met, stroke.resting["red"], "red", TABLE)
    assert sent is not None
    assert abs(sent.speed_mps - true_mps) < 3 * sent.speed_sd_mps
