"""What many looks at a ball at rest say of its place: ones that err apart, and ones that show one picture again."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.table import Vector
from vision.outlines.outline import BallView
from vision.sightings import Sighting, averaged, resting_place

TRUE = np.array([0.9, 0.4])
VIEW_SD_M = 0.0004


def view(at_m: Vector, sd_m: float = VIEW_SD_M, pull_px: float = 0.05) -> BallView:
    return BallView(at_m, sd_m, np.zeros(2), np.zeros(3), 1.0, edges_sd_m=sd_m, pull_px=pull_px)


def rest_of(errors_m: Vector) -> tuple[Vector, float]:
    """The error of the mean place and its stated standard deviation, of errors (n, 2)."""
    recent = [Sighting.of(view(TRUE + e), k / 30, False) for k, e in enumerate(errors_m[:4])]
    rest = resting_place(recent)
    for k, e in enumerate(errors_m[4:], start=4):
        rest = averaged(rest, view(TRUE + e), k / 30)
    return rest.at_m - TRUE, rest.sd_m


def test_mean_of_one_picture_shown_again_is_no_better_than_it() -> None:
    off = []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        same, fresh = rng.normal(0, VIEW_SD_M, 2), rng.normal(0, VIEW_SD_M / 20, (40, 2))
        error, sd = rest_of(same + fresh)
        off.append(error / sd)
        assert 0.9 * VIEW_SD_M < sd < 1.1 * VIEW_SD_M
    assert 0.85 < np.sqrt(np.mean(np.square(off))) < 1.15


def test_mean_of_looks_that_err_apart_is_better() -> None:
    for seed in range(20):
        error, sd = rest_of(np.random.default_rng(seed).normal(0, VIEW_SD_M, (40, 2)))
        assert VIEW_SD_M / np.sqrt(40) < sd < 0.75 * VIEW_SD_M
        assert np.hypot(*error) < 3 * sd


def test_views_that_scatter_by_more_than_they_state_are_believed_less() -> None:
    rng = np.random.default_rng(4)
    _, sd = rest_of(rng.normal(0, 3 * VIEW_SD_M, (40, 2)))
    assert sd == pytest.approx(3 * VIEW_SD_M / np.sqrt(10), rel=0.3)


def test_spoilt_look_hardly_moves_the_place() -> None:
    rest = resting_place([Sighting.of(view(TRUE), k / 30, False) for k in range(4)])
    moved = averaged(rest, view(TRUE + [0.003, 0.0], 10 * VIEW_SD_M, pull_px=0.3), 0.2)
    assert moved.at_m == pytest.approx(TRUE, abs=1e-5)
    assert moved.sightings == 5
    assert moved.last_s == 0.2
    assert moved.pull_px == pytest.approx(0.05, rel=0.1)


def test_look_that_edges_leave_more_open_than_looks_scatter_by_is_believed_by_the_edges() -> None:
    # What a look may be off in all, a stick beside it say, weighs it; how sure the mean is, the edges tell.
    rest = resting_place([replace(Sighting.of(view(TRUE), k / 30, False), sd_m=10 * VIEW_SD_M) for k in range(4)])
    assert rest.sd_m == pytest.approx(VIEW_SD_M)
