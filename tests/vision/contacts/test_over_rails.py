"""Rails in corners and in coarse film, told by all sightings round them and by the laws of rebound."""

from dataclasses import replace
from math import degrees

import numpy as np
import pytest

from tests.rendering import Physics
from tests.rendering.motion import Motion, heading_rad
from tests.vision.rolling import frames
from tests.vision.rolling import run as roll
from tests.vision.seen import NOISE_M, TABLE, motion_of, seen
from vision.contacts.over_rails import with_rebounds
from vision.contacts.rail_way import Begin
from vision.contacts.rebounds import fit_rebounds
from vision.contacts.run import Run, follow
from vision.legs import Path
from vision.reading import RailHit
from vision.strokes import find_strokes

UNTIL_S = 4.0


def drawn(rng: np.random.Generator) -> Physics:
    return Physics(
        slide=rng.uniform(0.16, 0.28),
        rail_restitution=rng.uniform(0.72, 0.90),
        rail_tangential=rng.uniform(0.72, 0.90),
        roll_kept=rng.uniform(0.1, 0.4),
    )


def corners(count: int, seed: int, within_s: float = 0.12) -> list[Motion]:
    """A cue ball that meets two rails in a corner, so soon one after the other, and no pocket."""
    rng = np.random.default_rng(seed)
    found: list[Motion] = []
    while len(found) < count:
        corner = np.array([rng.choice([0.0, TABLE.length_m]), rng.choice([0.0, TABLE.width_m])])
        inward = np.sign(TABLE.centre_m - corner)
        start = corner + inward * rng.uniform(0.4, 1.0, 2)
        aim = corner + inward * np.where(rng.random() < 0.5, [0.03, 0.22], [0.22, 0.03]) * rng.uniform(0.8, 1.4)
        speed = float(rng.uniform(1.5, 3.5))
        motion = motion_of(
            {"cue": (float(start[0]), float(start[1]))}, degrees(heading_rad(aim - start)), speed, physics=drawn(rng)
        )
        times = [hit.t_s for hit in motion.rails]
        if len(times) >= 2 and times[1] - times[0] < within_s and not motion.pockets:
            found.append(motion)
    return found


@pytest.mark.parametrize(("fps", "within_s"), [(15.0, 0.15), (30.0, 0.08)])
def test_two_rails_in_a_corner_are_told_whatever_is_seen_between(fps: float, within_s: float) -> None:
    cases = corners(10, 4, within_s)
    told, off = 0, []
    for k, motion in enumerate(cases):
        strokes, _ = find_strokes(seen(motion, fps=fps, until_s=UNTIL_S, seed=k), TABLE, UNTIL_S)
        hits = strokes[0].cue.rail_hits[:2]
        told += [hit.rail for hit in hits] == [hit.rail for hit in motion.rails[:2]]
        for hit, true in zip(hits, motion.rails, strict=False):
            if hit.rail == true.rail:
                off.append(float(np.hypot(*(hit.at_m - true.at_m))) / hit.at_sd_m)
                assert hit.t_s == pytest.approx(true.t_s, abs=0.01)
    assert told >= 9
    assert 0.1 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_sighting_from_after_the_first_rail_does_not_hide_the_second() -> None:
    """It goes with the leg before, where hardly a frame shows what follows: how that leg ends is told wrongly then."""
    cases = corners(18, 7, 0.15)
    for k in (0, 10, 14, 15, 17):
        strokes, _ = find_strokes(seen(cases[k], fps=15.0, until_s=UNTIL_S, seed=k), TABLE, UNTIL_S)
        assert [hit.rail for hit in strokes[0].cue.rail_hits[:2]] == [hit.rail for hit in cases[k].rails[:2]]


def test_contact_at_a_flat_angle_is_told_where_it_was() -> None:
    """Where the line crosses the track line and where it turns: legs on either side that bend tell it together."""
    off, before = [], []
    for seed in range(6):
        begin_s = 0.001 + 0.007 * seed
        rolled = roll((0.6, 0.95), (1.5, 0.35), frames(1.6, 24.0, begin_s=begin_s), table=TABLE)
        true = next(b for b in rolled.bounces if b.rail == "left")
        run = follow("cue", rolled.path(NOISE_M, seed=seed), {}, TABLE)
        found = with_rebounds(run, TABLE)
        assert [h.rail for h in found.rail_hits] == [h.rail for h in run.rail_hits]
        before.append(run.rail_hits[0].t_s - true.t_s)
        off.append(found.rail_hits[0].t_s - true.t_s)
        assert abs(found.rail_hits[0].at_m - true.at_m)[0] < 3 * found.rail_hits[0].at_sd_m
    assert np.abs(off).mean() < 0.5 * np.abs(before).mean()


def test_way_over_two_rails_is_found_from_a_rough_beginning() -> None:
    rolled = roll((0.4, 0.17), (3.1, 3.4), frames(1.4, 30.0), table=TABLE)
    first, second = rolled.bounces[:2]
    seen_ = rolled.path(NOISE_M, seed=1).part(rolled.t > first.t_s - 0.15)
    seen_ = seen_.part(seen_.t < second.t_s + 0.15)
    at = int(np.searchsorted(rolled.t, seen_.t[0]))
    begin = Begin(float(seen_.t[0]), rolled.xy[at] + 0.01, 0.9 * rolled.v[at], time_sd_s=0.0)
    found = fit_rebounds(begin, (first.rail, second.rail), seen_, TABLE)
    assert found is not None
    assert found.noise < 2
    for hit, true in zip(found.hits, (first, second), strict=True):
        assert hit.at_m == pytest.approx(true.at_m, abs=4 * hit.at_sd_m)
        assert hit.t_s == pytest.approx(true.t_s, abs=0.003)
        assert hit.speed_in_mps == pytest.approx(np.hypot(*true.before_mps), rel=0.03)
    # Rails that it did not meet explain it far worse.
    other = fit_rebounds(begin, (second.rail, first.rail), seen_, TABLE)
    assert other is None or other.noise > 10 * found.noise


def test_rail_is_found_though_a_ball_was_sent_off_slower_than_it_seemed() -> None:
    """It would have been back off the rail by the first sighting, which is from before it: the fit finds out."""
    for step in range(4, 9):
        times = frames(0.8, 15.0, begin_s=0.001 + step / 600)
        rolled = roll((0.6, 0.5), (1.2, 2.4), times, table=TABLE)
        true = rolled.bounces[0]
        begin = Begin(
            0.0, np.array([0.6, 0.5]), 1.15 * np.array([1.2, 2.4]), 0.005, 3e-4, 0.25, shed=2 / 7, shed_sd=0.02
        )
        seen_ = rolled.path(NOISE_M, seed=step).part((rolled.t > true.t_s - 0.1) & (rolled.t < true.t_s + 0.3))
        found = fit_rebounds(begin, (true.rail,), seen_, TABLE)
        assert found is not None
        assert found.noise < 2
        assert found.hits[0].t_s == pytest.approx(true.t_s, abs=0.002)


def test_speed_of_a_ball_that_is_seen_late_on_its_way_to_a_rail_is_honest() -> None:
    """It slid first, then rolled: how it set off is told by both, from the few sightings at the end of that way."""
    off = []
    for seed in range(16):
        speed = 1.5 + 0.1 * seed
        velocity = speed * np.array([np.cos(1.2), np.sin(1.2)])
        rolled = roll((0.6, 0.2), velocity, frames(1.6, 24.0, begin_s=0.001 + 0.002 * seed), table=TABLE)
        true = rolled.bounces[0]
        begin = Begin(0.0, np.array([0.6, 0.2]), 1.05 * velocity, 0.003, 3e-4, 0.1 * speed, shed=2 / 7, shed_sd=0.02)
        seen_ = rolled.path(NOISE_M, seed=seed).part((rolled.t > true.t_s - 0.09) & (rolled.t < true.t_s + 0.3))
        found = fit_rebounds(begin, (true.rail,), seen_, TABLE)
        assert found is not None
        assert found.launch is not None
        off.append((found.launch.speed_mps - speed) / found.launch.speed_sd_mps)
    assert np.sqrt(np.mean(np.square(off))) < 1.5


def test_line_of_a_leg_that_is_seen_once_is_told_with_an_honest_error() -> None:
    """Its ends are the contacts before and after: the line on which it would have passed a target."""
    off, told = [], 0
    for k, motion in enumerate(corners(12, 9, 0.13)):
        strokes, _ = find_strokes(seen(motion, fps=15.0, until_s=UNTIL_S, seed=k), TABLE, UNTIL_S)
        run: Run = strokes[0].cue
        if len(run.told) < 2 or [h.rail for h in run.rail_hits[:2]] != [h.rail for h in motion.rails[:2]]:
            continue
        way, hit = run.told[1]
        target = motion.rails[1].at_m
        miss, sd = way.line(hit, target).miss(target)
        off.append((miss - motion.miss_m("cue", [motion.rails[0].rail], target)) / sd)
        told += 1
    assert told >= 8
    assert np.sqrt(np.mean(np.square(off))) < 1.6


def test_rail_is_not_made_up_where_a_ball_turned_on_the_open_bed() -> None:
    rolled = roll((0.5, 0.5), (1.5, 0.3), frames(1.0, 24.0))
    path = rolled.path(NOISE_M, seed=2)
    turned = path.xy.copy()
    turned[12:] = path.xy[12] + (path.xy[12:] - path.xy[12]) @ np.array([[0.3, 0.8], [-0.8, 0.3]])
    run = follow("cue", type(path)(path.t, turned, path.sd), {}, TABLE)
    assert run.junctions
    assert not any(isinstance(j, RailHit) for j in with_rebounds(run, TABLE).junctions)


def test_contact_at_the_end_of_a_long_straight_leg_is_told_by_all_of_it_and_as_surely_as_stated() -> None:
    off, stated = [], []
    for seed in range(12):
        angle = 0.5 + 0.05 * seed
        rolled = roll((0.5, 0.3), (1.6 * np.cos(angle), 1.6 * np.sin(angle)), frames(2.0, 60.0), table=TABLE)
        true = rolled.bounces[0]
        run = follow("cue", rolled.path(NOISE_M, seed=seed).part(rolled.t < true.t_s + 0.5), {}, TABLE)
        found = with_rebounds(run, TABLE).rail_hits[0]
        assert found.rail == true.rail == "left"
        off.append(found.at_m[0] - true.at_m[0])
        stated.append(found.at_sd_m)
    assert np.sqrt(np.mean(np.square(off))) < 0.9 * NOISE_M
    assert 0.4 < np.sqrt(np.mean(np.square(np.array(off) / stated))) < 1.5


def test_times_late_in_a_film_tell_the_same() -> None:
    for fps in (24.0, 30.0, 60.0):
        rolled = roll((0.4, 0.17), (3.1, 3.4), frames(1.4, fps), table=TABLE)
        path = rolled.path(NOISE_M, seed=1)
        early, late = (
            with_rebounds(follow("cue", type(path)(path.t + shift_s, path.xy, path.sd), {}, TABLE), TABLE).rail_hits
            for shift_s in (0.0, 5000.0)
        )
        assert [h.rail for h in late] == [h.rail for h in early]
        assert [h.t_s - 5000.0 for h in late] == pytest.approx([h.t_s for h in early], abs=2e-6)
        assert [h.at_m for h in late] == [pytest.approx(h.at_m, abs=1e-6) for h in early]


@pytest.mark.parametrize("hidden_s", [0.16, 0.24, 0.32])
def test_ball_seen_once_more_before_its_rail_after_a_while_out_of_sight(hidden_s: float) -> None:
    """An arm was over it: how it moved when it was seen again is not known, and nothing is told from that."""
    motion = motion_of({"cue": (0.6, 0.3)}, 35.0, 2.4)
    (ball,) = seen(motion, fps=25.0, until_s=4.0)
    run = follow("cue", Path.of(ball.path), {}, TABLE)
    before, last_s = run.legs[0], float(run.legs[0].t[-1])
    seen_m = before.part((before.t < last_s - hidden_s) | (before.t == last_s))
    hidden = replace(run, legs=(seen_m.part(slice(-3, None)), *run.legs[1:]))
    assert hidden.rail_hits[0].rail == motion.rails[0].rail
    assert [hit.rail for hit in with_rebounds(hidden, TABLE).rail_hits] == [hit.rail for hit in run.rail_hits]
