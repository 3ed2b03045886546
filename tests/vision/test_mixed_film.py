"""One small rendered film of two drills and a stroke at neither, read once."""

from dataclasses import dataclass
from math import degrees

import numpy as np
import pytest

from calibration.camera import Setup
from calibration.table import STANDARD_TABLES
from tests.rendering import STRAIGHT, Truth, Try, aim_rad, overhead_camera, render_clip
from vision.mixed_reading import MixedReading
from vision.read import read_mixed_clip
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(640, 360))
HANGING = (2.452, 0.088)
MISPLACED = (HANGING[0] - 0.008, HANGING[1] + 0.006)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
RED = (1.2, 0.45)


@dataclass(frozen=True)
class Film:
    truth: Truth
    reading: MixedReading


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Film:
    path = tmp_path_factory.mktemp("films") / "drills.mp4"
    tries = [
        kick(HANGING, 1.5),
        bank(),
        kick(MISPLACED, -0.5),
        Try({"cue": (1.2, 0.6), "red": RED}, 178.0, 1.0, 1.2, 2),
    ]
    truth = render_clip(path, CAMERA, TABLE, tries, fps=30, physics=STRAIGHT, sub_exposures=4, crf=14)
    return Film(truth, read_mixed_clip(path, [BANK, KICK], setup=Setup(TABLE, "left", CAMERA)))


def kick(red_m: tuple[float, float], off_deg: float) -> Try:
    ghost = KICK.target_point_m(TABLE, np.array(red_m))
    line = aim_rad((0.9, 0.3), (float(ghost[0]), float(ghost[1])), ["left"], 2.2, TABLE, STRAIGHT)
    return Try({"cue": (0.9, 0.3), "red": red_m}, degrees(line) + off_deg, 2.2, wait_s=1.2, watch_s=3.0)


def bank() -> Try:
    mouth = TABLE.mouth_m("foot-right")
    line = aim_rad(RED, (float(mouth[0]), float(mouth[1])), ["left"], 2.0, TABLE, STRAIGHT)
    cue = np.array(RED) - 0.35 * np.array([np.cos(line), np.sin(line)])
    return Try({"cue": (float(cue[0]), float(cue[1])), "red": RED}, degrees(line), 2.3, wait_s=1.2, watch_s=3.0)


def test_every_stroke_is_where_it_belongs(film: Film) -> None:
    struck_s = [t.t_s for t in film.truth.tries]
    for name, expected in (("kick", [struck_s[0], struck_s[2]]), ("bank", [struck_s[1]])):
        found = [a.t_s for a in film.reading.of_shot(name).attempts]
        assert found == pytest.approx(expected, abs=0.01)
    assert [u.attempt.t_s for u in film.reading.unassigned] == pytest.approx([struck_s[3]], abs=0.01)
    assert film.reading.of_shot("bank").attempts[0].ball == "red"


def test_balls_are_placed_to_a_millimetre(film: Film) -> None:
    first, second = film.reading.of_shot("kick").attempts
    for attempt, red in ((first, HANGING), (second, MISPLACED)):
        target = next(p for p in attempt.placement if p.ball == "red")
        assert target.put_by == "drill"
        assert target.off_m == pytest.approx(np.subtract(red, HANGING), abs=0.0015)
        assert 0 < target.sd_m < 0.002
    cue = next(p for p in second.placement if p.ball == "cue")
    assert cue.off_m == pytest.approx((0.0, 0.0), abs=0.001)
    # The banked ball is the first at its place, and the drill states none.
    assert film.reading.of_shot("bank").attempts[0].placement == ()


def test_facts_are_those_of_the_one_film(film: Film) -> None:
    one, two = film.reading.readings
    assert one.clip == two.clip
    assert one.clip.frames == len(film.truth.pts_s)
    assert one.not_attempts == two.not_attempts
