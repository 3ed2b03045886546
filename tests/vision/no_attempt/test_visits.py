"""Somebody at the table who moves no ball is told as no attempt, and why; who strikes or moves one is not."""

import cv2
import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.table import STANDARD_TABLES, Vector
from tests.rendering import overhead_camera
from vision.no_attempt.visits import ADDRESSED, NO_BALL_MOVED, Visits
from vision.outlines.outline import BallView
from vision.reduced import Reduction
from vision.table_view import TableView
from vision.tracks import Tracker

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE)
PLANE = BallPlane(CAMERA, TABLE.ball_radius_m)
REDUCTION = Reduction(2, 0, 0, CAMERA.width, CAMERA.height)
CUE_M, RED_M = np.array([0.8, 0.5]), np.array([1.9, 0.9])
WHITE, RED = np.array([220.0, 128.0, 128.0]), np.array([90.0, 110.0, 200.0])
EVERY_S = 1 / 15


def _view(at_m: Vector, colour: Vector) -> BallView:
    return BallView(at_m, 0.0002, PLANE.pixel(at_m), colour, 1.0)


VIEWS = (_view(CUE_M, WHITE), _view(RED_M, RED))


class Table:
    """A table with two balls at rest, watched look by look."""

    def __init__(self) -> None:
        self.tracker = Tracker(PLANE, TABLE)
        self.visits = Visits(self.tracker)
        self.now_s = 0.0
        self.watch(2.0)

    def watch(
        self, seconds: float, *lines_m: tuple[Vector, Vector], cue_mps: float = 0.0, hidden: bool = False
    ) -> None:
        """The balls, the white one under way along the table at ``cue_mps``, and a stick between each two places.

        An arm may have the white ball ``hidden``.
        """
        for k in range(round(seconds / EVERY_S)):
            self.now_s += EVERY_S
            views: tuple[BallView, ...] = (_view(CUE_M + [cue_mps * k * EVERY_S, 0.0], WHITE), _view(RED_M, RED))
            mask = np.zeros((CAMERA.height // 2, CAMERA.width // 2), np.uint8)
            if hidden:
                cv2.circle(mask, _at(CUE_M), 14, 255, -1)
                views = views[1:]
            for view in views:
                cv2.circle(mask, _at(view.at_m), 6, 255, -1)
            for start, end in lines_m:
                cv2.line(mask, _at(start), _at(end), 255, 4)
            seen = TableView(self.now_s, views, (False,) * len(views), mask, np.zeros_like(mask), REDUCTION)
            self.tracker.update(seen)
            self.visits.take(seen)

    @property
    def told(self) -> list[str]:
        return [visit.why for visit in self.visits.told]


def _at(place_m: Vector) -> tuple[int, int]:
    x, y = np.rint(REDUCTION.reduced_px(PLANE.pixel(place_m))).astype(int)
    return int(x), int(y)


STICK = (CUE_M - [0.06, 0.0], CUE_M - [0.7, 0.2])
ELSEWHERE = (np.array([1.3, 1.2]), np.array([1.6, 0.7]))


def test_practice_strokes_without_a_shot_are_told() -> None:
    table = Table()
    begins_s = table.now_s
    table.watch(2.0, STICK)
    table.watch(1.0)
    assert table.told == [ADDRESSED]
    assert table.visits.told[0].t_s == pytest.approx(begins_s, abs=2 * EVERY_S)


def test_a_stick_that_is_away_from_the_ball_in_between_is_one_visit() -> None:
    table = Table()
    for _ in range(4):
        table.watch(0.4, STICK)
        table.watch(0.3)
    table.watch(1.0)
    assert table.told == [ADDRESSED]


def test_somebody_elsewhere_over_the_table_is_told_as_that() -> None:
    table = Table()
    table.watch(2.0, ELSEWHERE)
    table.watch(1.0)
    assert table.told == [NO_BALL_MOVED]


def test_a_moment_is_no_visit() -> None:
    table = Table()
    table.watch(0.6, STICK)
    table.watch(1.0)
    assert table.told == []


def test_nobody_is_none() -> None:
    table = Table()
    table.watch(5.0)
    assert table.told == []


def test_a_visit_that_ends_with_a_ball_under_way_is_what_its_path_says() -> None:
    table = Table()
    table.watch(2.0, STICK)
    table.watch(0.7, STICK, cue_mps=0.8)
    table.watch(1.0, cue_mps=0.0)
    assert table.told == []


def test_a_visit_in_which_a_ball_was_put_elsewhere_is_not_told_as_one_that_moved_none() -> None:
    table = Table()
    table.watch(1.0, ELSEWHERE, cue_mps=0.3)
    table.watch(2.5, ELSEWHERE)
    table.watch(1.0)
    assert table.told == []


def test_an_arm_over_the_cue_ball_addresses_nothing() -> None:
    """Something runs up to the ball's place, but hides it."""
    table = Table()
    table.watch(2.0, STICK, hidden=True)
    table.watch(1.5)
    assert table.told == [NO_BALL_MOVED]


def test_balls_hidden_until_they_are_given_up_lie_where_they_lay() -> None:
    table = Table()
    table.watch(9.0, STICK, hidden=True)
    table.watch(2.0)
    assert table.told == [NO_BALL_MOVED]
