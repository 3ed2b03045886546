"""The whole chain: the point fitted from a film's reading against the point fitted from what really happened in it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.convergence import Convergence
from app.fitting.fit import fit_shot
from calibration.table import Vector
from calibration.unfold import unfold
from tests.known_clips import KnownClip
from vision.reading import Reading

MOST_MAHALANOBIS = 2.5
MOST_OFF_M = 0.010


def rows_of_reading(reading: Reading) -> list[AttemptRow]:
    return [
        AttemptRow(
            row=k + 2,
            shot="shot",
            start_x_m=float(a.start_m[0]),
            start_y_m=float(a.start_m[1]),
            bearing_rad=a.bearing_rad,
            bearing_sd_rad=a.bearing_sd_rad,
            clip="clip",
            common_bearing_sd_rad=reading.camera.common_bearing_sd_rad,
            miss_m=a.miss_m,
            miss_sd_m=a.miss_sd_m,
            miss_per_rad_m=a.miss_per_rad_m,
            outcome=a.outcome,
        )
        for k, a in enumerate(reading.attempts)
    ]


def rows_of_truth(clip: KnownClip, like: Sequence[AttemptRow]) -> list[AttemptRow]:
    """The same attempts with true starts, lines and misses; the standard deviations stay, so that both weigh alike."""
    rows = []
    for row, true in zip(like, clip.truth["shots"], strict=True):
        start = np.array(true["rail_ball_start"])
        path = unfold(start, np.array(true["target_xy"]), clip.shot.rails, clip.table)
        rows.append(
            replace(
                row,
                start_x_m=float(start[0]),
                start_y_m=float(start[1]),
                bearing_rad=true["rail_ball_line_dir"],
                miss_m=clip.miss_m(true),
                miss_per_rad_m=path.miss_per_rad_m,
            )
        )
    return rows


def fitted(rows: Sequence[AttemptRow], clip: KnownClip) -> Convergence:
    return fit_shot(rows, shot_name="shot", table=clip.table, shot=clip.shot).convergence


def point(rows: Sequence[AttemptRow], clip: KnownClip) -> Vector:
    found = fitted(rows, clip).point_m
    assert found is not None
    return found


def own_covariance(rows: list[AttemptRow], clip: KnownClip) -> Vector:
    """What the reading's own errors do to the point, (2, 2).

    Each stated standard deviation (every start, bearing and miss by itself, the clip's common turn once for all
    bearings) is added to the rows, the point fitted anew, and the moves of the point added in quadrature. The
    player's scatter is no part of it: both fits have the same.
    """
    moved: list[list[AttemptRow]] = []
    for k, row in enumerate(rows):
        changes: tuple[dict[str, Any], ...] = (
            {"bearing_rad": row.bearing_rad + row.bearing_sd_rad},
            {"miss_m": row.miss_m + row.miss_sd_m},
        )
        moved += [[*rows[:k], replace(row, **change), *rows[k + 1 :]] for change in changes]
    moved.append([replace(r, bearing_rad=r.bearing_rad + r.common_bearing_sd_rad) for r in rows])
    here = point(rows, clip)
    moves = np.array([point(other, clip) - here for other in moved])
    return np.asarray(moves.T @ moves)


def test_point_of_the_sample_clip(sample_reading: Reading, known_sample: KnownClip) -> None:
    rows = rows_of_reading(sample_reading)
    true_rows = rows_of_truth(known_sample, rows)
    found = fitted(rows, known_sample)
    assert found.point_m is not None
    assert found.ellipse is not None
    off = found.point_m - point(true_rows, known_sample)
    distance = float(np.sqrt(off @ np.linalg.solve(own_covariance(rows, known_sample), off)))
    assert distance < MOST_MAHALANOBIS
    along = np.array([np.cos(found.ellipse.angle_rad), np.sin(found.ellipse.angle_rad)])
    assert abs(off @ along) < max(MOST_OFF_M, found.ellipse.semi_major_m / 3)
    assert abs(off @ np.array([-along[1], along[0]])) < max(MOST_OFF_M, found.ellipse.semi_minor_m / 3)


def test_point_differs_when_the_misses_are_taken_the_wrong_way(
    sample_reading: Reading, known_sample: KnownClip
) -> None:
    """The check above can fail: with the misses' sign turned the point is elsewhere, or at no finite place."""
    rows = rows_of_reading(sample_reading)
    turned = fitted([replace(row, miss_m=-row.miss_m) for row in rows], known_sample).point_m
    assert turned is None or np.hypot(*(turned - point(rows, known_sample))) > 3 * MOST_OFF_M


def test_true_point_is_in_the_region_of_the_reading(sample_reading: Reading, known_sample: KnownClip) -> None:
    rows = rows_of_reading(sample_reading)
    found = fitted(rows, known_sample)
    assert found.point_m is not None
    assert found.covariance_m2 is not None
    off = found.point_m - point(rows_of_truth(known_sample, rows), known_sample)
    assert off @ np.linalg.solve(found.covariance_m2, off) < 5.991  # chi-square, two degrees of freedom, 95 %
