"""When and how fast a ball set off, against paths integrated from the published equations of motion."""

import numpy as np
import pytest

from tests.vision.rolling import Cloth, frames
from tests.vision.test_legs import from_launch, shot
from vision.launch import _run_m, _run_slopes, fit_launch, unstated_sd
from vision.legs import Path


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("speed_mps", [0.6, 1.2, 2.2, 3.6, 6.0])
def test_launch_of_a_centre_hit(speed_mps: float, fps: float) -> None:
    struck_s = 0.5071
    rolled = shot(speed_mps, 20.0, frames(1.2, fps), begins_s=struck_s)
    launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s))
    # A soft ball slides for a tenth of a second only: few sightings tell how much it lost by that.
    assert launch.speed_mps == pytest.approx(speed_mps, rel=0.02 if speed_mps > 1 else 0.04)
    assert launch.time_s == pytest.approx(struck_s, abs=0.003)


@pytest.mark.parametrize("slide", [0.15, 0.3, 0.4])
@pytest.mark.parametrize("follow", [0.0, 0.6, 1.0])
def test_launch_on_other_cloths_and_with_follow(slide: float, follow: float) -> None:
    """The published range of sliding friction, 0.15 to 0.4 (D. G. Alciatore), and balls struck above the centre."""
    struck_s = 0.2
    rolled = shot(2.2, 20.0, frames(0.9), begins_s=struck_s, cloth=Cloth(slide=slide), follow=follow)
    launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s))
    assert launch.speed_mps == pytest.approx(2.2, rel=0.03)
    assert launch.time_s == pytest.approx(struck_s, abs=0.004)


@pytest.mark.parametrize("slide", [0.2, 0.4])
@pytest.mark.parametrize("speed_mps", [1.2, 2.2, 3.6])
def test_launch_of_the_strongest_draw(speed_mps: float, slide: float) -> None:
    """Struck half a radius below the centre: by the impulse at that offset 5/4 of natural roll, backwards."""
    struck_s = 0.2
    rolled = shot(speed_mps, 20.0, frames(0.9), begins_s=struck_s, cloth=Cloth(slide=slide), follow=-1.25)
    launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s))
    assert launch.speed_mps == pytest.approx(speed_mps, rel=0.005)
    assert launch.time_s == pytest.approx(struck_s, abs=0.001)


def test_standard_deviations_of_launches_are_honest() -> None:
    speeds, times = [], []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        speed, struck_s = float(rng.uniform(1.0, 4.0)), 0.5 + float(rng.uniform(0, 0.03))
        cloth = Cloth(slide=float(rng.uniform(0.15, 0.25)))
        rolled = shot(speed, 20.0, frames(1.0), begins_s=struck_s, cloth=cloth, follow=float(rng.uniform(0, 0.5)))
        launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s, seed=seed))
        speeds.append((launch.speed_mps - speed) / launch.speed_sd_mps)
        times.append((launch.time_s - struck_s) / launch.time_sd_s)
    for standardised in (speeds, times):
        assert 0.6 < np.sqrt(np.mean(np.square(standardised))) < 1.5


def test_launch_of_a_smeared_ball_is_honest() -> None:
    """Seen far less surely along its way than stated, and stated unevenly: no sighting may decide alone."""
    speeds, times = [], []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        speed, struck_s = float(rng.uniform(2.0, 4.0)), 0.5 + float(rng.uniform(0, 0.03))
        rolled = shot(speed, 20.0, frames(1.0, 30.0), begins_s=struck_s, follow=float(rng.uniform(0, 0.5)))
        path = from_launch(rolled, struck_s, noise_m=0.002, seed=seed)
        stated = Path(path.t, path.xy, rng.choice([0.0002, 0.0006, 0.0012], len(path)))
        launch = fit_launch(rolled.xy[0], stated)
        speeds.append((launch.speed_mps - speed) / launch.speed_sd_mps)
        times.append((launch.time_s - struck_s) / launch.time_sd_s)
    for standardised in (speeds, times):
        assert 0.6 < np.sqrt(np.mean(np.square(standardised))) < 1.5


def test_launch_of_a_ball_seen_better_than_stated_is_honest() -> None:
    """The edges of a smeared ball scatter ahead and behind alike: its centre is surer than they say."""
    speeds, times = [], []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        speed, struck_s = float(rng.uniform(2.0, 4.0)), 0.5 + float(rng.uniform(0, 0.03))
        rolled = shot(speed, 20.0, frames(1.0), begins_s=struck_s, follow=float(rng.uniform(0, 0.5)))
        path = from_launch(rolled, struck_s, noise_m=0.0004, seed=seed)
        launch = fit_launch(rolled.xy[0], Path(path.t, path.xy, np.full(len(path), 0.0012)))
        speeds.append((launch.speed_mps - speed) / launch.speed_sd_mps)
        times.append((launch.time_s - struck_s) / launch.time_sd_s)
    for standardised in (speeds, times):
        assert 0.6 < np.sqrt(np.mean(np.square(standardised))) < 1.5


def test_unstated_part_of_errors() -> None:
    rng = np.random.default_rng(1)
    stated = rng.uniform(0.5, 1.0, 4000)
    assert unstated_sd(np.hypot(stated, 2.0) * rng.normal(size=4000), stated, 4000) == pytest.approx(2.0, rel=0.05)
    assert unstated_sd(0.9 * stated, stated, 4000) == 0.0
    assert unstated_sd(np.full(4, 9.0), np.ones(4), 2) == 0.0


def test_launch_at_a_varying_rate() -> None:
    struck_s = 0.4
    rolled = shot(2.2, 20.0, frames(1.2, 30.0, jitter=7), begins_s=struck_s)
    launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s))
    assert launch.speed_mps == pytest.approx(2.2, rel=0.02)
    assert launch.time_s == pytest.approx(struck_s, abs=0.003)


@pytest.mark.parametrize("follow", [0.2, 0.6])
@pytest.mark.parametrize("speed_mps", [2.2, 3.6, 5.0])
def test_launch_from_few_but_exact_sightings(speed_mps: float, follow: float) -> None:
    """A firm stroke at 30 frames a second: rolling begins somewhere among a dozen sightings."""
    struck_s = 0.4
    rolled = shot(speed_mps, 20.0, frames(0.8, 30.0), begins_s=struck_s, follow=follow)
    launch = fit_launch(rolled.xy[0], from_launch(rolled, struck_s, noise_m=0.0))
    assert launch.speed_mps == pytest.approx(speed_mps, rel=0.002)
    assert launch.time_s == pytest.approx(struck_s, abs=0.0002)


def test_launch_from_too_little_is_unknown() -> None:
    one = Path(np.array([0.1]), np.array([[0.6, 0.3]]), np.array([1e-3]))
    assert np.isnan(fit_launch(np.array([0.5, 0.3]), one).speed_mps)
    towards = Path(np.array([0.1, 0.2]), np.array([[0.6, 0.3], [0.51, 0.3]]), np.full(2, 1e-3))
    assert np.isnan(fit_launch(np.array([0.5, 0.3]), towards).time_s)


@pytest.mark.parametrize("shed", [0.0, 0.1, 0.5])
def test_slopes_are_those_of_the_way(shed: float) -> None:
    """Against differences, before the strike, while it slides and once it rolls."""
    t = np.linspace(-0.1, 1.2, 27)
    p = np.array([0.01, 2.5, shed, 2.0])
    step = 1e-6
    differences = [(_run_m(t, *(p + d)) - _run_m(t, *(p - d))) / (2 * step) for d in step * np.eye(4)]
    # A ball that does not slide cannot slide less.
    told = [0, 1, 3] if shed == 0.0 else [0, 1, 2, 3]
    assert _run_slopes(t, *p)[:, told] == pytest.approx(np.array(differences).T[:, told], abs=1e-6)
