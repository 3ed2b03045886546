"""Which frames are looked at: fewer while all is calm, and none is lost when a ball sets off."""

from collections.abc import Sequence
from fractions import Fraction
from typing import cast

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.table import STANDARD_TABLES
from tests.rendering import overhead_camera
from vision.balls import BallFinder
from vision.film.clip import Frame
from vision.looks import CALM_EVERY_S, Looks
from vision.outlines.outline import BallView
from vision.reduced import Reduction
from vision.table_view import Expected, TableView
from vision.tracks import Tracker

TABLE = STANDARD_TABLES["9ft"]
PLANE = BallPlane(overhead_camera(TABLE, size=(1280, 720)), TABLE.ball_radius_m)
WHITE = np.array([200.0, 124.0, 131.0])
NOTHING = np.zeros((180, 320), np.uint8)
STRIKE_S, START_M, VELOCITY_MPS = 1.0, np.array([0.8, 0.4]), np.array([2.0, 0.5])


class MadeUp:
    """A finder for a film in which one ball lies still and is struck; it notes the times of its looks."""

    def __init__(self) -> None:
        self.looked_s: list[float] = []

    def find(self, frame: Frame, expected: Sequence[Expected]) -> TableView:
        self.looked_s.append(frame.time_s)
        at = self._at(frame)
        view = BallView(at, 0.0002, PLANE.pixel(at), WHITE, 0.95)
        return TableView(frame.time_s, (view,), (False,), NOTHING, NOTHING, Reduction(4, 0, 0, 1280, 720))

    def stirred(self, frame: Frame, expected: Sequence[Expected]) -> bool:
        return any(b.resting is not None and np.hypot(*(self._at(frame) - b.at_m)) > 0.001 for b in expected)

    def _at(self, frame: Frame) -> np.ndarray:
        return START_M + VELOCITY_MPS * max(frame.time_s - STRIKE_S, 0.0)


def looked_at(frames_per_s: int, until_s: float = 1.4) -> tuple[list[float], Tracker]:
    plane = np.zeros((2, 2), np.uint8)
    finder, tracker = MadeUp(), Tracker(PLANE, TABLE)
    looks = Looks(tracker)
    for k in range(round(until_s * frames_per_s)):
        frame = Frame(k, Fraction(1, frames_per_s), plane, plane, plane)
        looks.take(frame, cast(BallFinder, finder))
    return finder.looked_s, tracker


@pytest.mark.parametrize("frames_per_s", [10, 15])
def test_every_frame_of_a_slow_film(frames_per_s: int) -> None:
    looked_s, _ = looked_at(frames_per_s)
    assert looked_s == pytest.approx(np.arange(round(1.4 * frames_per_s)) / frames_per_s)


@pytest.mark.parametrize("frames_per_s", [24, 30, 50, 60, 120, 240])
def test_fewer_while_calm_and_all_from_the_strike_on(frames_per_s: int) -> None:
    looked_s, tracker = looked_at(frames_per_s)
    times = np.array(looked_s)
    assert np.all(np.diff(times) > 0)
    calm = times[(times > 0.3) & (times < STRIKE_S)]
    assert len(calm) <= 0.7 * (STRIKE_S - 0.3) * frames_per_s
    assert np.diff(calm).max() <= CALM_EVERY_S + 1 / frames_per_s
    moving = times[times > STRIKE_S + 1e-9]
    frames = np.arange(round(1.4 * frames_per_s)) / frames_per_s
    assert moving == pytest.approx(frames[frames > STRIKE_S + 1e-9])
    (ball,) = tracker.tracks
    assert [s.time_s for s in ball.path if s.time_s > STRIKE_S + 1e-9] == pytest.approx(moving)
