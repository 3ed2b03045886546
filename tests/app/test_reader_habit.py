"""Lines read by eye: what is alike in all that one reader tells does not average out."""

from dataclasses import replace
from io import StringIO
from math import hypot, isnan, nan

import numpy as np
import pytest

from app.fitting.attempts_csv import AttemptRow, read_attempts, write_attempts
from app.fitting.fit import ShotFit, fit_shot
from tests.app.scenario import KICK, TABLE
from tests.benchmarks.hand_entries import drill, each_for_itself, rows_of


def rows_by_eye(marks: int = 12, repeats: int = 2, seed: int = 5) -> list[AttemptRow]:
    return rows_of(drill(np.random.default_rng(seed), marks, repeats, near_sight=False))[1]


def fitted(rows: list[AttemptRow]) -> ShotFit:
    return fit_shot(rows, shot_name=KICK.name, table=TABLE, shot=KICK)


def test_a_readers_habit_stays_however_many_lines_are_read() -> None:
    """The direction of the point is known no better than the habit; were each line misread for itself, it would be."""
    rows = rows_by_eye(40, 3)
    habit = float(np.mean([row.reader_sd_rad for row in rows]))
    apart = fitted(each_for_itself(rows))
    assert fitted(rows).convergence.family_covariance[0, 0] ** 0.5 > 0.9 * habit
    assert apart.convergence.family_covariance[0, 0] ** 0.5 < 0.6 * habit


def test_two_readers_know_more_than_one() -> None:
    rows = rows_by_eye(40, 3)
    two = [replace(row, reader="AB"[k % 2]) for k, row in enumerate(rows)]
    one_sd, two_sd = (fitted(r).convergence.family_covariance[0, 0] ** 0.5 for r in (rows, two))
    assert two_sd == pytest.approx(one_sd / 2**0.5, rel=0.15)


def test_a_lines_error_is_parted_not_enlarged() -> None:
    for t, row in zip(*rows_of(drill(np.random.default_rng(5), 12, 2, near_sight=False)), strict=True):
        assert hypot(row.bearing_sd_rad, row.reader_sd_rad) == pytest.approx(t.bearing_sd_rad)
        # Of sights told to the quarter, by an eye of a twentieth: sqrt(half of 0.05^2 / (0.05^2 + 0.25^2 / 12)).
        assert row.reader_sd_rad / t.bearing_sd_rad == pytest.approx(0.4027, abs=1e-4)


def test_a_file_of_attempts_holds_both_together() -> None:
    rows = rows_by_eye()
    out = StringIO()
    write_attempts(rows, out)
    back = read_attempts(StringIO(out.getvalue()), "file").rows
    for row, again in zip(rows, back, strict=True):
        assert isnan(again.reader_sd_rad)
        assert again.bearing_sd_rad == pytest.approx(hypot(row.bearing_sd_rad, row.reader_sd_rad), abs=2e-6)


def test_one_line_alone_has_its_whole_error() -> None:
    rows = rows_by_eye(6, 1)
    lone = [replace(row, reader=str(k)) for k, row in enumerate(rows)]
    folded = [
        replace(row, bearing_sd_rad=hypot(row.bearing_sd_rad, row.reader_sd_rad), reader=None, reader_sd_rad=nan)
        for row in rows
    ]
    one, other = fitted(lone).convergence, fitted(folded).convergence
    assert one.family_covariance == pytest.approx(other.family_covariance, rel=1e-9)
