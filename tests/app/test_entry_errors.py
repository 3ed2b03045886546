"""A simulated coach who reads sights to the quarter and misses to half a ball: the stated errors are the real ones.

What such a person can tell is assumed (common practice, no source); that the line, the miss and the fit's region follow
from it is what is checked. The benchmark ``hand_entries`` prints the same for more drills.
"""

import numpy as np
import pytest

from tests.benchmarks.hand_entries import drill, family_row, rows_of


@pytest.mark.parametrize(
    ("name", "marks", "repeats", "near_sight"),
    [("marks", 8, 1, False), ("marks again", 6, 3, False), ("near sight", 12, 1, True)],
)
def test_standardised_errors_are_near_one_and_the_region_holds_the_truth(
    name: str, marks: int, repeats: int, near_sight: bool
) -> None:
    found = family_row(name, marks, repeats, near_sight, drills=50, seed=5)
    assert found["line_error_over_sd"] == pytest.approx(1.0, abs=0.12)
    assert found["miss_error_over_sd"] == pytest.approx(1.0, abs=0.15)
    # 95 % less three of the simulation's own standard deviations.
    assert float(found["coverage_percent"]) >= 86


def test_the_starts_errors_are_shared_for_a_reason() -> None:
    """Many tries from few marks: each mark is misread once, not every time anew."""
    found = family_row("few marks", 4, 6, near_sight=False, drills=50, seed=5)
    assert float(found["coverage_percent"]) >= 90
    assert float(found["coverage_if_not_shared_percent"]) <= float(found["coverage_percent"]) - 8


def test_a_simulated_coachs_lines_reach_the_fit_as_rows() -> None:
    told = drill(np.random.default_rng(3), 6, 2, near_sight=False)
    entered, rows = rows_of(told)
    assert len(rows) == len(told) == 12
    assert len({row.clip for row in rows}) == 6
    assert {row.outcome for row in rows} <= {"made", "missed"}
    assert [row.bearing_rad for row in rows] == [e.bearing_rad for e in entered]
