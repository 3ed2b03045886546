"""Meetings of two balls that are both under way: told where and when they happen, and nowhere else."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.table import Rail
from tests.rendering import overhead_camera
from tests.rendering.motion import Motion
from tests.vision.rolling import Cloth, frames, run
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.contacts.kisses import _turned_together, with_kisses
from vision.contacts.run import Run, follow
from vision.legs import Path
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.reading import Attempt, BallHit
from vision.shot import Shot

Array = NDArray[np.float64]
ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
NOISE_M = 0.0003
TOUCH_M = 2 * TABLE.ball_radius_m
MET_S = 0.6


@dataclass(frozen=True)
class Pair:
    """Two balls seen for a second and more; ``met_at_m`` (2, 2) are their centres when they touch or are closest."""

    paths: dict[str, Path]
    met_at_m: Array
    closing_mps: float


def pair(seed: int, fps: float, *, gap_m: float = 0.0, noise_m: float = NOISE_M) -> Pair:
    """Two rolling balls that meet in mid-table, or, with a gap, pass that far from touching."""
    rng = np.random.default_rng(seed)
    velocities = np.zeros((2, 2))
    while np.hypot(*(velocities[0] - velocities[1])) < 0.4:
        bearing, speed = rng.uniform(0, 2 * np.pi, 2), rng.uniform(0.2, 0.75, 2)
        velocities = speed[:, None] * np.column_stack([np.cos(bearing), np.sin(bearing)])
    closing = velocities[0] - velocities[1]
    # The line of centres: within 60 degrees of the approach for a meeting, square to it for balls that pass.
    turn = rng.uniform(-1.05, 1.05) if gap_m == 0 else np.pi / 2
    along = closing / np.hypot(*closing)
    centres = np.array(
        [along[0] * np.cos(turn) - along[1] * np.sin(turn), along[0] * np.sin(turn) + along[1] * np.cos(turn)]
    )
    middle = TABLE.centre_m + rng.uniform(-0.1, 0.1, 2)
    at_m = np.array([middle, middle + (TOUCH_M + gap_m) * centres])
    push = 0.975 * float(closing @ centres) if gap_m == 0 else 0.0
    times = frames(2 * MET_S, fps, begin_s=rng.uniform(0, 1 / fps))
    paths = {}
    for name, at, velocity, sign in zip(("cue", "red"), at_m, velocities, (-1, 1), strict=True):
        before, after = times[times <= MET_S], times[times > MET_S]
        # Rolling back in time, a ball speeds up evenly.
        slowed = Cloth().roll * 9.81 * velocity / np.hypot(*velocity)
        tau = (before - MET_S)[:, None]
        came = at + velocity * tau - slowed * tau**2 / 2
        went = run(list(at), list(velocity + sign * push * centres), after, roll_mps=list(velocity), begins_s=MET_S)
        xy = np.vstack([came, went.xy])
        noise = rng.normal(0, noise_m, xy.shape)
        paths[name] = Path(times, xy + noise, np.full(len(times), noise_m))
    return Pair(paths, at_m, float(closing @ centres))


def told(case: Pair) -> dict[str, Run]:
    return with_kisses({name: follow(name, path, {}, TABLE) for name, path in case.paths.items()}, TABLE)


@pytest.mark.parametrize(("fps", "noise_m"), [(30.0, NOISE_M), (60.0, NOISE_M), (60.0, 0.001)])
def test_meeting_is_told_where_it_happened(fps: float, noise_m: float) -> None:
    for seed in range(12):
        case = pair(seed, fps, noise_m=noise_m)
        runs = told(case)
        for k, ball in enumerate(("cue", "red")):
            found = runs[ball]
            assert [type(j) for j in found.junctions] == [BallHit]
            hit = found.ball_hits[0]
            assert hit.balls == (ball, ("red", "cue")[k])
            assert hit.t_s == pytest.approx(MET_S, abs=0.008)
            assert hit.at_m == pytest.approx(case.met_at_m[k], abs=0.008)
            # Each leg has its own sightings only.
            assert found.legs[0].t[-1] < MET_S + 0.01 < found.legs[1].t[0] + 0.02


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("gap_m", [0.001, 0.005, 0.03])
def test_balls_that_pass_each_other_did_not_meet(gap_m: float, fps: float) -> None:
    for seed in range(10):
        assert all(r.junctions == () for r in told(pair(seed, fps, gap_m=gap_m)).values())


def test_outline_pulled_aside_by_a_ball_before_it_is_no_meeting() -> None:
    """In a slanting view the near ball covers a part of the far one, whose outline is then sought too far off."""
    for seed in range(10):
        case = pair(seed, 60.0, gap_m=0.004)
        cue, red = case.paths["cue"], case.paths["red"]
        offset = red.xy - cue.xy
        apart = np.hypot(*offset.T)
        pulled = 0.012 * np.clip(2 - apart / TOUCH_M, 0, 1)[:, None] * offset / apart[:, None]
        for aside in (pulled, -pulled):
            spoilt = Pair(case.paths | {"red": Path(red.t, red.xy + aside, red.sd)}, case.met_at_m, case.closing_mps)
            assert all(not r.ball_hits for r in told(spoilt).values())


def test_turn_of_one_ball_alone_is_no_meeting() -> None:
    """One of two balls turns, and the other goes on as before: a hand, perhaps, but no kiss."""
    for seed in range(10):
        met = pair(seed, 60.0)
        # The other ball, as if nothing had met it.
        straight = met.paths["red"]
        before = straight.t <= MET_S
        fit = [np.polyfit(straight.t[before], straight.xy[before, axis], 1) for axis in (0, 1)]
        on = np.column_stack([np.polyval(f, straight.t) for f in fit])
        noise = np.random.default_rng(seed).normal(0, NOISE_M, on.shape)
        case = Pair({"cue": met.paths["cue"], "red": Path(straight.t, on + noise, straight.sd)}, met.met_at_m, 0.0)
        assert all(not r.ball_hits for r in told(case).values())


def broken(times: Array, at_m: Array, before_mps: Array, after_mps: Array) -> Array:
    """Places (n, 2) of a ball that goes straight to a place, and from there on otherwise."""
    return np.asarray(at_m + np.where((times < MET_S)[:, None], before_mps, after_mps) * (times - MET_S)[:, None])


def test_turns_side_by_side_are_a_meeting_where_one_was_made_at_a_rail() -> None:
    """Off a rail for a frame or two before the other ball comes, a ball shows one turn for both."""
    level = TABLE.width_m - TABLE.track_offset_m
    times = frames(1.2, 30.0, begin_s=0.004)
    at_rail = np.array([1.2, level])
    red_before, red_after = np.array([0.6, 1.0]), np.array([0.5, -0.6])
    red = broken(times, at_rail, red_before, red_after)
    centre = at_rail + TOUCH_M * np.array([0.6, -0.8])
    cue_before, cue_after = np.array([-0.9, 0.4]), np.array([0.3, -0.3])
    cue = broken(times, centre, cue_before, cue_after)
    noise = np.random.default_rng(1).normal(0, NOISE_M, (2, len(times), 2))
    paths = {
        "cue": Path(times, cue + noise[0], np.full(len(times), NOISE_M)),
        "red": Path(times, red + noise[1], np.full(len(times), NOISE_M)),
    }
    found = told(Pair(paths, np.array([centre, at_rail]), 1.0))
    assert [h.balls for h in found["cue"].ball_hits] == [("cue", "red")]
    assert found["cue"].ball_hits[0].t_s == pytest.approx(MET_S, abs=0.04)
    assert "left" in [h.rail for h in found["red"].rail_hits]


def test_turns_side_by_side_before_which_balls_are_seen_but_once_tell_no_meeting() -> None:
    """Side by side, and then apart: where they came from is not seen."""
    times = frames(1.2, 30.0, begin_s=0.004)
    first = int((times < MET_S).sum()) - 1
    runs = {}
    for name, y_m, away_mps in (("cue", 0.5, -0.4), ("red", 0.5 + TOUCH_M, 0.4)):
        xy = np.column_stack([1.0 + 0.5 * (times - MET_S), y_m + away_mps * np.abs(times - MET_S)])
        path = Path(times, xy, np.full(len(times), NOISE_M))
        runs[name] = Run(name, (path.part(slice(first, first + 1)), path.part(slice(first + 1, None))), (None,))
    assert _turned_together(runs["cue"], runs["red"], MET_S, TABLE) is None


# --- whole strokes: starts, bearing, speed; the banked ball's rails; by how much it was turned afterwards ---

BANKS: dict[str, tuple[dict[str, tuple[float, float]], float, float, tuple[Rail, ...]]] = {
    "turned by 36 degrees": ({"cue": (0.4, 0.2), "red": (1.16, 0.76)}, 35.4, 2.5, ("left",)),
    "turned by 106 degrees": ({"cue": (1.5, 1.11), "red": (0.67, 0.79)}, -158.5, 2.0, ("head",)),
    "turned by 80 degrees": ({"cue": (0.79, 0.26), "red": (1.5, 0.2)}, -4.9, 2.2, ("foot",)),
    "turned by 90 degrees": ({"cue": (2.2, 0.46), "red": (1.15, 0.26)}, -168.8, 2.3, ("head",)),
    "met soon after the rail": ({"cue": (2.1, 0.73), "red": (2.35, 0.31)}, -55.1, 2.4, ("right",)),
    "met at once after the rail": ({"cue": (0.92, 0.71), "red": (0.34, 0.86)}, 164.8, 2.7, ("head",)),
}  # fmt: skip


@cache
def banked(name: str, fps: float) -> tuple[Motion, Shot, Attempt]:
    starts, bearing_deg, speed_mps, rails = BANKS[name]
    motion = motion_of(starts, bearing_deg, speed_mps)
    leg = motion.leg_at("red", next(c.t_s for c in motion.rails if c.ball == "red" and c.rail == rails[-1]))
    assert leg is not None
    # Somewhere ahead, a little beside the line on which the ball would have gone on.
    ahead = leg.onward(leg.t_s + 1.2)
    shot = Shot("bank", "bank", rails, "pocketed", target_pocket="foot-right", target_aim=(ahead[0] + 0.05, ahead[1]))
    return motion, shot, attempt(only_stroke(seen(motion, fps=fps, until_s=6.0), 6.0), shot, ERRORS)


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("name", BANKS)
def test_miss_is_that_of_the_leg_before_the_kiss(name: str, fps: float) -> None:
    motion, shot, found = banked(name, fps)
    assert shot.target_aim is not None
    true = motion.miss_m("red", shot.rails, np.array(shot.target_aim))
    assert abs(found.miss_m - true) < 3 * found.miss_sd_m
    # What is seen for a second tells the line; what is seen for a few frames, while the ball slides, does not.
    seen_s = motion.balls[1].t_s - motion.rails[0].t_s
    assert found.miss_sd_m < (0.01 if seen_s > 0.5 else 0.15)


@pytest.mark.parametrize("name", BANKS)
def test_kiss_stands_among_the_contacts_and_the_flags(name: str) -> None:
    motion, _, found = banked(name, 60.0)
    assert "double_kiss" in found.flags
    first, again = motion.balls[:2]
    assert [c.t_s for c in found.ball_contacts[:2]] == pytest.approx([first.t_s, again.t_s], abs=0.015)
    assert all(c.balls == ("cue", "red") for c in found.ball_contacts)
