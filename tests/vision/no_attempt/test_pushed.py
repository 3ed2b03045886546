"""A cue ball that gathers speed under a hand or a sleeve beside it was pushed; a struck one gains none."""

import numpy as np
import pytest

from tests.vision.seen import REST_SD_M, STRUCK_S, TABLE, motion_of, seen
from vision.sightings import Rest, Sighting
from vision.strokes import PUSHED, Ball, find_strokes

START_M, BEARING_RAD, NOISE_M, ROLLING_MPS2 = np.array([0.6, 0.4]), 0.4, 0.0005, 0.1


def pushed(speed_mps: float, takes_s: float, fps: float, seed: int) -> Ball:
    """Evenly faster for so long, then let go; never covered."""
    rng = np.random.default_rng(seed)
    ahead = np.array([np.cos(BEARING_RAD), np.sin(BEARING_RAD)])
    stops_s = STRUCK_S + takes_s + speed_mps / ROLLING_MPS2
    times = np.arange(rng.uniform(0, 1 / fps), stops_s + 1.0, 1 / fps)
    pushing = np.clip(times - STRUCK_S, 0, takes_s)
    rolling = np.clip(times - STRUCK_S - takes_s, 0, speed_mps / ROLLING_MPS2)
    along = speed_mps * pushing**2 / takes_s / 2 + speed_mps * rolling - ROLLING_MPS2 * rolling**2 / 2
    places = START_M + along[:, None] * ahead + rng.normal(0, NOISE_M, (len(times), 2))
    moves = (along > 0.0035) & (times < stops_s)
    path = [Sighting(float(t), place, NOISE_M, False) for t, place in zip(times[moves], places[moves], strict=True)]
    first, last = times[~moves & (times < path[0].time_s)][-1], path[-1]
    rests = (
        Rest(START_M, REST_SD_M, 0.0, float(first), 40),
        Rest(last.at_m, REST_SD_M, last.time_s - 0.3, float(times[-1]), 40),
    )
    return Ball("cue", rests, tuple(path), ())


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0])
@pytest.mark.parametrize(("speed_mps", "takes_s"), [(0.4, 0.3), (0.6, 0.3), (0.8, 0.3), (0.8, 0.4), (1.2, 0.3)])
def test_ball_pushed_over_many_frames_is_no_attempt(speed_mps: float, takes_s: float, fps: float) -> None:
    whys = set()
    for seed in range(4):
        ball = pushed(speed_mps, takes_s, fps, seed)
        strokes, others = find_strokes([ball], TABLE, ball.rests[-1].last_s)
        assert strokes == []
        whys |= {other.why for other in others}
    # Where the push is so slow that it shows in where the ball seems to have set off, that is told.
    assert whys <= {PUSHED, "the cue ball was moved by hand"}
    if takes_s < 0.4 and speed_mps < 1.0:
        assert PUSHED in whys


@pytest.mark.parametrize("fps", [24.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("follow", [-0.6, 0.0, 1.0, 1.25])
@pytest.mark.parametrize("speed_mps", [0.4, 0.8, 1.6])
def test_struck_ball_is_never_pushed(speed_mps: float, follow: float, fps: float) -> None:
    """Nor one that is struck so high that it gains a little."""
    for seed, noise_m in enumerate((0.0003, 0.001, 0.002)):
        motion = motion_of({"cue": (0.6, 0.4)}, 23.0, speed_mps, follow=follow)
        _, others = find_strokes(seen(motion, fps=fps, noise_m=noise_m, seed=seed), TABLE, 12.0)
        assert [other.why for other in others if other.why == PUSHED] == []
