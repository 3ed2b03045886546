"""Cue balls close to a rail that are struck straight into it, or away from it."""

from dataclasses import dataclass, replace
from math import degrees

import numpy as np
import pytest

from calibration.table import RAILS, Rail
from tests.rendering.motion import Motion, heading_rad
from tests.vision.seen import REST_SD_M, STRUCK_S, TABLE, motion_of, seen
from vision.contacts.struck_into_rail import set_off_by_rail
from vision.reading import RailHit
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, Stroke, find_strokes

UNTIL_S = 3.0


@dataclass(frozen=True)
class Struck:
    motion: Motion
    rail: Rail


def struck(count: int, seed: int, *, towards: bool, gap_m: tuple[float, float] = (0.01, 0.06)) -> list[Struck]:
    """Cue balls ``gap_m`` from the track line of a rail, struck into it at an angle of 15 to 60 degrees to the square,
    or away from it at any angle, and met by no pocket."""
    rng = np.random.default_rng(seed)
    size = np.array([TABLE.length_m, TABLE.width_m])
    found: list[Struck] = []
    while len(found) < count:
        rail = RAILS[rng.integers(4)]
        axis, level = TABLE.track_coordinate(rail)
        outward = 1.0 if rail in ("foot", "left") else -1.0
        place = np.full(2, level - outward * rng.uniform(*gap_m))
        place[1 - axis] = rng.uniform(0.2, size[1 - axis] - 0.2)
        turn = np.radians(rng.choice([-1.0, 1.0]) * rng.uniform(15, 60) if towards else rng.uniform(-80, 80))
        way = np.zeros(2)
        way[axis], way[1 - axis] = (outward if towards else -outward) * np.cos(turn), np.sin(turn)
        start = (float(place[0]), float(place[1]))
        motion = motion_of({"cue": start}, degrees(heading_rad(way)), rng.uniform(0.8, 3.5))
        if not motion.pockets and (not towards or motion.rails[0].rail == rail):
            found.append(Struck(motion, rail))
    return found


def stroke_of(case: Struck, fps: float, seed: int) -> Stroke | None:
    strokes, _ = find_strokes(seen(case.motion, fps=fps, until_s=UNTIL_S, seed=seed), TABLE, UNTIL_S)
    return strokes[0] if strokes else None


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_stroke_straight_into_a_rail_close_by_is_told(fps: float) -> None:
    strokes, told, off_m, speeds = 0, 0, [], []
    for k, case in enumerate(struck(24, 8, towards=True)):
        stroke = stroke_of(case, fps, k)
        if stroke is None:
            continue
        strokes += 1
        assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.04)
        first, true = stroke.cue.junctions[0] if stroke.cue.junctions else None, case.motion.rails[0]
        if isinstance(first, RailHit) and first.rail == case.rail and abs(first.t_s - true.t_s) < 0.03:
            told += 1
            off_m.append(float(np.hypot(*(first.at_m - true.at_m))) / first.at_sd_m)
            speed = float(np.hypot(*case.motion.legs[0].velocity))
            speeds.append((stroke.launch.speed_mps - speed) / stroke.launch.speed_sd_mps)
    assert strokes >= 23
    assert told >= 23
    assert 0.4 < np.sqrt(np.mean(np.square(off_m))) < 1.5
    assert np.sqrt(np.mean(np.square(speeds))) < 1.5


def under_hand(case: Struck, fps: float, seed: int, from_s: float, before_s: float = 0.2) -> list[Ball]:
    """The ball of a firm stroke, covered by a hand all the while from so long before it until ``from_s``."""
    (cue,) = seen(case.motion, fps=fps, until_s=UNTIL_S, seed=seed)
    lay = replace(cue.rests[0], last_s=STRUCK_S - before_s)
    return [replace(cue, rests=(lay, *cue.rests[1:]), path=tuple(s for s in cue.path if s.time_s > from_s))]


@pytest.mark.parametrize(("before_s", "is_told"), [(0.2, True), (0.7, True), (1.3, False)])
@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_firm_stroke_into_a_rail_from_under_a_hand_is_told(fps: float, before_s: float, is_told: bool) -> None:
    firm = [c for c in struck(60, 9, towards=True, gap_m=(0.05, 0.15)) if np.hypot(*c.motion.legs[0].velocity) > 2.9]
    told = 0
    for k, case in enumerate(firm):
        true = case.motion.rails[0]
        strokes, _ = find_strokes(under_hand(case, fps, k, true.t_s + 0.005, before_s), TABLE, UNTIL_S)
        first = strokes[0].cue.junctions[0] if strokes and strokes[0].cue.junctions else None
        told += isinstance(first, RailHit) and first.rail == case.rail and abs(first.t_s - true.t_s) < 0.03
    assert len(firm) >= 8
    assert told >= 0.8 * len(firm) if is_told else told == 0


@pytest.mark.parametrize("before_s", [0.2, 0.7])
@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_firm_stroke_away_from_a_rail_from_under_a_hand_met_none(fps: float, before_s: float) -> None:
    for k, case in enumerate(struck(40, 10, towards=False, gap_m=(0.05, 0.15))):
        strokes, _ = find_strokes(under_hand(case, fps, k, STRUCK_S + 0.05, before_s), TABLE, UNTIL_S)
        for stroke in strokes:
            first = stroke.cue.junctions[0] if stroke.cue.junctions else None
            early = isinstance(first, RailHit) and first.rail == case.rail and first.t_s < STRUCK_S + 0.05
            assert not early


@pytest.mark.parametrize("fps", [24.0, 50.0])
def test_stroke_into_a_rail_that_a_few_frames_show_it_come_to_is_told(fps: float) -> None:
    """One to three sightings before the contact: too few for a leg, but they tell line, moment and speed."""
    told, off_m = 0, []
    # As far away as the ball comes in two or three frames.
    gap_m = (2.0 / fps, 5.0 / fps)
    for k, case in enumerate(struck(16, 12, towards=True, gap_m=gap_m)):
        stroke = stroke_of(case, fps, k)
        assert stroke is not None
        assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.02)
        first, true = stroke.cue.junctions[0] if stroke.cue.junctions else None, case.motion.rails[0]
        if isinstance(first, RailHit) and first.rail == case.rail and abs(first.t_s - true.t_s) < 0.03:
            told += 1
            off_m.append(float(np.hypot(*(first.at_m - true.at_m))) / first.at_sd_m)
            speed = float(np.hypot(*case.motion.legs[0].velocity))
            assert stroke.launch.speed_mps == pytest.approx(
                speed, abs=max(0.05 * speed, 4 * stroke.launch.speed_sd_mps)
            )
    assert told >= 15
    assert np.sqrt(np.mean(np.square(off_m))) < 1.5


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_stroke_away_from_a_rail_close_by_met_none(fps: float) -> None:
    for k, case in enumerate(struck(24, 9, towards=False, gap_m=(0.0005, 0.06))):
        stroke = stroke_of(case, fps, k)
        assert stroke is not None
        true = case.motion.rails
        for hit in stroke.cue.rail_hits:
            assert any(hit.rail == c.rail and abs(hit.t_s - c.t_s) < 0.1 for c in true)


@pytest.mark.parametrize("gap_m", [(0.01, 0.06), (0.06, 0.45)])
def test_ball_taken_away_from_a_rail_by_hand_met_none(gap_m: tuple[float, float]) -> None:
    """It gathers speed, on lines straight and bent, and comes to rest elsewhere."""
    rng = np.random.default_rng(10)
    taken = 0
    for case in struck(30, 10, towards=False, gap_m=gap_m):
        place, goal = case.motion.starts_m["cue"], rng.uniform(0.2, 0.8, 2) * [TABLE.length_m, TABLE.width_m]
        times = np.arange(0.0, rng.uniform(0.5, 1.5), 1 / 30)
        share = times / times[-1]
        bend = rng.normal(0, 0.05) * np.sin(np.pi * share)
        aside = np.array([place[1] - goal[1], goal[0] - place[0]])
        path = place + (share**2 * (3 - 2 * share))[:, None] * (goal - place) + bend[:, None] * aside
        path += rng.normal(0, 0.0005, path.shape)
        moved = int(np.argmax(np.hypot(*(path - place).T) > 0.0035))
        sightings = tuple(Sighting(STRUCK_S + float(t), xy, 0.0005, False) for t, xy in zip(times, path, strict=True))
        rest = Rest(place, REST_SD_M, 0.0, sightings[moved - 1].time_s, 40)
        until = Rest(goal, REST_SD_M, sightings[-1].time_s, 9.0, 40)
        strokes, _ = find_strokes([Ball("cue", (rest, until), sightings[moved:], ())], TABLE, 9.0)
        taken += any(isinstance(s.cue.junctions[0], RailHit) for s in strokes if s.cue.junctions)
    assert taken == 0


def test_ball_far_from_every_rail_set_off_by_none() -> None:
    case = struck(1, 8, towards=True)[0]
    (cue,) = seen(case.motion, until_s=UNTIL_S)
    stroke = stroke_of(case, 60.0, 0)
    assert stroke is not None
    far = Rest(np.array([1.2, 0.6]), REST_SD_M, 0.0, 1.0, 40)
    assert set_off_by_rail(far, stroke.cue_path, TABLE) is None
    assert set_off_by_rail(cue.rests[0], stroke.cue_path.part(slice(0, 2)), TABLE) is None


def test_path_that_bends_for_long_after_the_rail_does_not_hide_that_it_set_off_there() -> None:
    """Seen for the first time after the contact: over half a second its bent path seems to pass where the ball lay."""
    motion = motion_of({"cue": (0.5, 1.2)}, 70.0, 3.0)
    # No frame between the strike and the contact.
    first_s = motion.rails[0].t_s + 0.018
    times = np.arange(first_s, first_s + 0.62, 1 / 30)
    path = tuple(Sighting(float(t), np.asarray(motion.where("cue", t)), 0.0003, False) for t in times)
    ball = Ball("cue", (Rest(np.array([0.5, 1.2]), REST_SD_M, 0.0, first_s - 1 / 30, 40),), path, ())
    strokes, _ = find_strokes([ball], TABLE, UNTIL_S)
    assert [h.rail for h in strokes[0].cue.rail_hits][:1] == ["left"]
    assert strokes[0].launch.time_s == pytest.approx(STRUCK_S, abs=0.006)
