"""Legs and lines against paths integrated from the published equations of motion."""

from collections.abc import Sequence
from dataclasses import replace
from math import cos, degrees, radians, sin

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.vision.rolling import Cloth, Rolled, frames, run
from vision.legs import Path, fit_line, kinks, legs, motion_at, sliding_motion
from vision.sightings import Sighting
from vision.straight import straight_end

TABLE = STANDARD_TABLES["9ft"]
NOISE_M = 0.0003


def shot(
    speed_mps: float,
    bearing_deg: float,
    times: np.ndarray,
    *,
    start_m: Sequence[float] = (0.5, 0.3),
    follow: float = 0.0,
    cloth: Cloth | None = None,
    begins_s: float = 0.0,
    rails: bool = False,
) -> Rolled:
    velocity = speed_mps * np.array([cos(radians(bearing_deg)), sin(radians(bearing_deg))])
    return run(
        start_m,
        velocity,
        times,
        roll_mps=follow * velocity,
        cloth=cloth,
        begins_s=begins_s,
        table=TABLE if rails else None,
    )


def from_launch(rolled: Rolled, begins_s: float, noise_m: float = NOISE_M, seed: int = 1) -> Path:
    """What is seen of a ball once it is under way."""
    path = rolled.path(noise_m, seed)
    return path.part(path.t > begins_s + 0.004)


# --- the integrator itself, against published closed forms ---


def test_integrator_agrees_with_sliding_to_rolling() -> None:
    """Struck without spin: rolls at 5/7 of the speed after 2 v / (7 mu g) and 12 v^2 / (49 mu g) (Coriolis 1835)."""
    slide_s, slide_m = 2 * 2.0 / (7 * 0.2 * 9.81), 12 * 4.0 / (49 * 0.2 * 9.81)
    rolled = run((0, 0), (2, 0), np.array([0.0, slide_s, 10.0, 30.0]))
    assert rolled.xy[1] == pytest.approx([slide_m, 0], abs=1e-4)
    assert rolled.v[1, 0] == pytest.approx(2 * 5 / 7, abs=1e-3)
    # Then v^2 / (2 mu_r g) until it rests.
    assert rolled.xy[3, 0] == pytest.approx(slide_m + (10 / 7) ** 2 / (2 * 0.01 * 9.81), abs=0.02)


# --- lines ---


def test_line_of_a_straight_leg() -> None:
    rolled = shot(2.0, 37.0, frames(0.8))
    line = fit_line(from_launch(rolled, 0.0))
    assert degrees(line.bearing_rad) == pytest.approx(37.0, abs=4 * degrees(line.bearing_sd_rad))
    assert degrees(line.bearing_sd_rad) < 0.03
    assert line.miss(rolled.xy[0])[0] == pytest.approx(0, abs=0.0005)


@pytest.mark.parametrize("bearing_deg", [0.0, 90.0, 181.0, 270.0, 359.9])
def test_line_points_the_way_the_ball_goes(bearing_deg: float) -> None:
    line = fit_line(shot(1.0, bearing_deg, frames(0.5), start_m=(1.2, 0.6)).path())
    assert degrees(line.bearing_rad) == pytest.approx(bearing_deg, abs=0.01) or degrees(
        line.bearing_rad
    ) == pytest.approx(bearing_deg + 360, abs=0.01)
    assert 0 <= line.bearing_rad <= 2 * np.pi


def test_miss_is_positive_when_the_path_passes_to_the_left() -> None:
    line = fit_line(Path(np.arange(3.0), np.array([[0, 0.1], [1, 0.1], [2, 0.1]]), np.full(3, 1e-3)))
    assert line.miss(np.array([5.0, 0.0]))[0] == pytest.approx(0.1)
    assert line.miss(np.array([5.0, 0.3]))[0] == pytest.approx(-0.2)
    back = fit_line(Path(np.arange(3.0), np.array([[2, 0.1], [1, 0.1], [0, 0.1]]), np.full(3, 1e-3)))
    assert back.miss(np.array([-3.0, 0.0]))[0] == pytest.approx(-0.1)


def test_line_at_a_level() -> None:
    line = fit_line(Path(np.arange(3.0), np.array([[0, 0.0], [1, 1.0], [2, 2.0]]), np.full(3, 1e-3)))
    place, sd = line.at_level(1, 5.0)
    assert place == pytest.approx([5, 5])
    assert sd > line.at_level(1, 1.5)[1] > 0
    # A line along the level never gets there.
    flat = fit_line(Path(np.arange(3.0), np.array([[0, 0.0], [1, 0.0], [2, 0.0]]), np.full(3, 1e-3)))
    assert np.isnan(flat.at_level(1, 5.0)[0]).all()


def test_line_of_one_sighting_is_unknown() -> None:
    line = fit_line(Path(np.zeros(1), np.array([[1.0, 0.5]]), np.full(1, 1e-3)))
    assert np.isnan([line.bearing_rad, line.bearing_sd_rad, line.offset_sd_m]).all()


def test_standard_deviations_of_a_line_are_honest() -> None:
    rolled = shot(1.5, 20.0, frames(0.7))
    target = np.array([2.0, 0.3 + 1.5 * np.tan(radians(20.0))])
    turns, misses = [], []
    for seed in range(60):
        line = fit_line(from_launch(rolled, 0.0, seed=seed))
        turns.append((line.bearing_rad - radians(20.0)) / line.bearing_sd_rad)
        miss, sd = line.miss(target)
        misses.append(miss / sd)
    for standardised in (turns, misses):
        assert 0.75 < np.sqrt(np.mean(np.square(standardised))) < 1.25


def test_noise_larger_than_stated_widens_the_standard_deviation() -> None:
    rolled = shot(1.5, 20.0, frames(0.7))
    path = from_launch(rolled, 0.0, noise_m=0.002)
    trusting = Path(path.t, path.xy, np.full(len(path), 0.0003))
    assert fit_line(trusting).bearing_sd_rad > 0.5 * fit_line(path).bearing_sd_rad


# --- motion at a moment ---


def test_speed_at_either_end_of_a_leg() -> None:
    rolled = shot(2.0, 0.0, frames(1.0))
    path = rolled.path(NOISE_M)
    for when in (float(path.t[0]), float(path.t[-1])):
        true = np.hypot(*rolled.v[int(np.argmin(np.abs(rolled.t - when)))])
        assert motion_at(path, when).speed_mps == pytest.approx(true, rel=0.02)


@pytest.mark.parametrize("at_s", [-0.02, 0.0, 0.1, 0.45])
def test_motion_of_a_leg_that_begins_with_a_slide(at_s: float) -> None:
    """A parabola for a quarter of a second, then straight: the model is exact, and so is what it finds."""
    velocity, pull, slides_s = np.array([2.0, 0.4]), np.array([-1.2, 0.8]), 0.25

    def place_m(t: np.ndarray) -> np.ndarray:
        slid, rolled = np.minimum(t, slides_s)[:, None], np.maximum(t - slides_s, 0.0)[:, None]
        return np.array([0.4, 0.3]) + velocity * (slid + rolled) + pull * (slid**2 / 2 + slides_s * rolled)

    times = np.linspace(0.0, 0.5, 31)
    found = sliding_motion(Path(times, place_m(times), np.full(31, 3e-4)), at_s)
    assert found.at_m == pytest.approx(place_m(np.array([at_s]))[0], abs=1e-4)
    assert found.velocity_mps == pytest.approx(velocity + pull * min(at_s, slides_s), abs=0.03)
    assert 0 < found.at_sd_m < 1e-3
    assert 0 < found.velocity_sd_mps < 0.05


@pytest.mark.parametrize("gap_s", [0.15, 0.3, 0.6])
def test_motion_where_one_sighting_stands_alone_is_told_by_the_next_as_surely_as_can_be(gap_s: float) -> None:
    """A ball seen once more after it was out of sight: friction has slowed it meanwhile, by how much is not seen."""
    t = np.array([0.0, 0.04, 0.08, 0.08 + gap_s])
    drag = 0.3
    path = Path(t, np.column_stack([1.5 * t - drag * t**2 / 2, np.zeros(4)]), np.full(4, 3e-4))
    motion = motion_at(path, float(t[-1]))
    assert motion.at_m == pytest.approx(path.xy[-1], abs=1e-6)
    off = float(motion.velocity_mps[0]) - (1.5 - drag * float(t[-1]))
    assert abs(off) < motion.velocity_sd_mps < 3.0 * gap_s


def test_motion_of_one_sighting_is_unknown() -> None:
    assert np.isnan(motion_at(Path(np.zeros(1), np.zeros((1, 2)), np.ones(1)), 0.0).speed_mps)


# --- kinks ---

RAIL_SHOTS = [
    (speed, bearing, fps, follow)
    for speed, bearing in ((1.2, 70.0), (2.2, 60.0), (2.2, 40.0), (3.6, 62.0))
    for fps, follow in ((30.0, 0.0), (60.0, 0.0), (60.0, 0.6), (120.0, 1.0))
]


@pytest.mark.parametrize(("speed_mps", "bearing_deg", "fps", "follow"), RAIL_SHOTS)
def test_kinks_are_where_the_rails_are(speed_mps: float, bearing_deg: float, fps: float, follow: float) -> None:
    rolled = shot(speed_mps, bearing_deg, frames(2.5, fps), follow=follow, rails=True)
    found = kinks(rolled.path(NOISE_M, seed=3))
    # Bounces so soft, or so near the end of the film, that nothing could be told of the leg after are not asked for.
    bounces = [b for b in rolled.bounces if b.t_s < 2.5 - 0.1]
    assert len(found) == len(bounces) > 0
    for last_before, bounce in zip(found, bounces, strict=True):
        # The last sighting before the contact; one that was taken within a few milliseconds of it may go either way.
        assert rolled.t[last_before] <= bounce.t_s + 0.004
        assert rolled.t[last_before + 1] >= bounce.t_s - 0.004


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("speed_mps", [0.4, 1.2, 2.2, 6.0])
@pytest.mark.parametrize("slide", [0.15, 0.38])
def test_no_kink_where_sliding_becomes_rolling(speed_mps: float, fps: float, slide: float) -> None:
    rolled = shot(speed_mps, 10.0, frames(1.0, fps, begin_s=0.01), cloth=Cloth(slide=slide))
    assert kinks(rolled.path(NOISE_M, seed=4)) == []


def test_no_kink_in_a_curve() -> None:
    """A ball that sets off with sidewise roll bends for a third of a second, as after a rail."""
    rolled = run((0.5, 0.3), (1.2, 0.4), frames(1.5, begin_s=0.01), roll_mps=(1.2, -1.2))
    assert np.abs(rolled.v[-1] / np.hypot(*rolled.v[-1]) - [0.949, 0.316]).max() > 0.1
    assert kinks(rolled.path(NOISE_M, seed=5)) == []


def test_no_kink_where_a_ball_comes_to_rest() -> None:
    rolled = shot(0.5, 10.0, frames(6.0, 30.0, begin_s=0.01), cloth=Cloth(roll=0.02))
    assert np.hypot(*rolled.v[-1]) == 0
    assert kinks(rolled.path(NOISE_M, seed=6)) == []


def test_no_kink_at_a_varying_rate() -> None:
    for seed in range(5):
        rolled = shot(2.5, 10.0, frames(1.0, 30.0, 0.02, jitter=seed))
        assert kinks(rolled.path(NOISE_M, seed=seed)) == []


def test_two_kinks_close_together() -> None:
    """Round a corner: two rails within a third of a second."""
    rolled = run((2.25, 0.9), (1.5, 1.2), frames(1.5, 60.0, 0.01), table=TABLE, roll_mps=(1.5, 1.2))
    assert len(rolled.bounces) == 2
    apart = rolled.bounces[1].t_s - rolled.bounces[0].t_s
    assert 0.05 < apart < 0.3
    found = kinks(rolled.path(NOISE_M, seed=8))
    assert len(found) == 2
    for last_before, bounce in zip(found, rolled.bounces, strict=True):
        assert abs(rolled.t[last_before] - bounce.t_s) < 0.03


@pytest.mark.parametrize("phase", [0.1, 0.95])
def test_short_leg_between_two_rails_ends_with_its_own_last_sighting(phase: float) -> None:
    """Off the left rail and a few frames later off the foot rail: what came before the first one does not count."""
    times = np.arange(phase / 30, 0.7, 1 / 30)
    rolled = shot(3.3, 72.0, times, start_m=(2.3, 0.75), rails=True)
    first_s, second_s = (b.t_s for b in rolled.bounces[:2])
    assert second_s - first_s < 5 / 30
    ends = [float(leg.t[-1]) for leg in legs(rolled.path(NOISE_M))][:2]
    for end_s, bounce_s in zip(ends, (first_s, second_s), strict=True):
        assert abs(end_s - float(times[times <= bounce_s][-1])) < 1e-6


@pytest.mark.parametrize("phase", np.arange(0, 1, 0.125))
@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_rails_met_four_and_a_half_frames_apart_are_two(fps: float, phase: float) -> None:
    """A firm ball round a corner: what it met first is not lost in the change of velocity by what it met next."""
    speed = 5.0 * fps / 60.0
    times = (phase + np.arange(24.0)) / fps
    met = np.array([8.3, 12.8]) / fps
    along = speed * np.minimum(times, met[1]) - 0.8 * speed * np.maximum(times - met[1], 0)
    across = 0.5 * (speed * np.minimum(times, met[0]) - 0.8 * speed * np.maximum(times - met[0], 0))
    xy = np.column_stack([along, across]) + np.random.default_rng(3).normal(0, NOISE_M, (24, 2))
    found = kinks(Path(times, xy, np.full(24, NOISE_M)))
    assert all(times[k] <= at < times[k + 1] for k, at in zip(found, met, strict=True))


def test_sighting_at_a_rail_that_a_ball_meets_squarely_is_no_stray() -> None:
    times = np.arange(0.003, 0.5, 1 / 24)
    rolled = shot(3.5, 0.0, times, start_m=(2.38, 0.6), rails=True)
    sightings = rolled.sightings(NOISE_M)
    assert len(Path.of(sightings)) == len(sightings)
    # A ball that rolls on slowly was not so far away in between.
    slow = shot(0.5, 0.0, times, start_m=(1.0, 0.6)).sightings(NOISE_M)
    slow[5] = replace(slow[5], at_m=slow[5].at_m + [0.0, 0.12])
    assert len(Path.of(slow)) == len(slow) - 1


def test_legs_share_no_sighting_and_lose_none() -> None:
    rolled = shot(2.2, 60.0, frames(2.5), rails=True)
    path = rolled.path(NOISE_M)
    parts = legs(path)
    assert np.concatenate([leg.t for leg in parts]).tolist() == path.t.tolist()
    assert legs(path.part(slice(0, 1)))[0].t.tolist() == [path.t[0]]


def test_bearing_of_the_leg_after_a_rail_is_that_once_the_ball_rolls() -> None:
    rolled = shot(2.2, 60.0, frames(4.0), rails=True)
    bounce, following = rolled.bounces[:2]
    settled = rolled.v[np.flatnonzero(rolled.t < following.t_s)[-1]]
    after = rolled.path(NOISE_M).part((rolled.t > bounce.t_s) & (rolled.t < following.t_s))
    true = np.arctan2(settled[1], settled[0])
    straight = fit_line(straight_end(after))
    assert np.angle(np.exp(1j * (straight.bearing_rad - true))) == pytest.approx(0, abs=radians(0.15))
    # The whole of the leg is off by more than that: it is curved at its start.
    assert abs(np.angle(np.exp(1j * (fit_line(after).bearing_rad - true)))) > radians(0.2)


def test_straight_end_of_a_straight_leg_is_all_of_it() -> None:
    path = shot(2.2, 60.0, frames(0.5)).path(NOISE_M)
    assert len(straight_end(path)) > 0.9 * len(path)


def test_straight_end_of_a_short_leg_is_what_there_is() -> None:
    rolled = shot(2.2, 60.0, frames(0.1))
    assert 0 < len(straight_end(rolled.path())) <= len(rolled.path())


def test_sightings_in_a_crowd_count_less() -> None:
    clear, crowded = Sighting(0.0, np.zeros(2), 0.001, False), Sighting(0.1, np.ones(2), 0.001, True)
    path = Path.of([clear, crowded])
    assert path.sd[1] > 2 * path.sd[0]
    assert path.xy.tolist() == [[0, 0], [1, 1]]
    assert len(Path.of([])) == 0
