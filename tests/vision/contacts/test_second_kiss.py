"""Second meetings of the cue ball with the ball it hit, on made-up banks from near a rail."""

from math import degrees

import numpy as np
import pytest

from calibration.table import RAILS
from tests.rendering.motion import Motion
from tests.vision.seen import TABLE, motion_of, seen
from vision.contacts.run import Run
from vision.contacts.second_kiss import second_kiss
from vision.strokes import Stroke, find_strokes

UNTIL_S = 4.0


def banks(count: int, seed: int, *, kissed: bool, roll: tuple[float, float] = (-0.3, 0.8)) -> list[Motion]:
    """Hits on a ball up to a foot from a rail, towards it; they meet again within a quarter of a second, or never."""
    rng = np.random.default_rng(seed)
    size = np.array([TABLE.length_m, TABLE.width_m])
    found: list[Motion] = []
    while len(found) < count:
        rail = RAILS[rng.integers(4)]
        axis, level = TABLE.track_coordinate(rail)
        gap_m = rng.uniform(0.005, 0.3)
        red = np.full(2, level + (gap_m if rail in ("head", "right") else -gap_m))
        red[1 - axis] = rng.uniform(0.2, size[1 - axis] - 0.2)
        start = rng.uniform(0.1, size - 0.1)
        way = red - start
        if not 0.3 < np.hypot(*way) < 1.2 or abs(way[axis]) < 0.4 * np.hypot(*way):
            continue
        aside = np.array([-way[1], way[0]]) / np.hypot(*way)
        aim = way + rng.uniform(-1.0, 1.0) * TABLE.ball_radius_m * aside
        starts = {"cue": (float(start[0]), float(start[1])), "red": (float(red[0]), float(red[1]))}
        bearing = degrees(np.arctan2(aim[1], aim[0]))
        motion = motion_of(starts, bearing, rng.uniform(1.2, 3.5), follow=rng.uniform(*roll))
        again = [met.t_s - motion.balls[0].t_s for met in motion.balls[1:]]
        straight = bool(motion.balls) and all(c.t_s > motion.balls[0].t_s for c in motion.rails)
        if straight and (again and again[0] < 0.25 if kissed else not again):
            found.append(motion)
    return found


def runs_of(motion: Motion, fps: float, seed: int) -> tuple[Stroke, Run]:
    strokes, _ = find_strokes(seen(motion, fps=fps, until_s=UNTIL_S, seed=seed), TABLE, UNTIL_S)
    return strokes[0], strokes[0].others["red"]


@pytest.mark.parametrize(("fps", "least"), [(30.0, 19), (60.0, 22)])
def test_meeting_again_at_once_is_told(fps: float, least: int) -> None:
    told = 0
    for k, motion in enumerate(banks(24, 3, kissed=True)):
        stroke, red = runs_of(motion, fps, k)
        told += second_kiss(stroke.cue, red, stroke.resting["red"].at_m)
    assert told >= least


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("roll", [(-0.9, -0.4), (-0.3, 0.8)], ids=["draw", "other"])
def test_balls_that_met_once_are_not_told_to_have_met_again(fps: float, roll: tuple[float, float]) -> None:
    """Draw brings the cue ball back from the hit by itself."""
    told = 0
    for k, motion in enumerate(banks(16, 4, kissed=False, roll=roll)):
        stroke, red = runs_of(motion, fps, k)
        told += second_kiss(stroke.cue, red, stroke.resting["red"].at_m)
    assert told == 0
