"""The region keeps its promise: a small form of the coverage benchmark, so that a slip is seen at once."""

import numpy as np
import pytest

from tests.benchmarks.coverage import exact_area, families, inside_and_area, run, standard_error_of_median
from tests.benchmarks.drills import measured_drill


@pytest.mark.parametrize(
    ("family", "drills"),
    [
        ("near, n = 5", 250),
        ("spreading, n = 8", 250),
        ("gain 12 % off, always long, n = 12", 150),
        ("mixed, n = 30", 60),
    ],
)
def test_the_region_holds_the_true_point_as_often_as_it_says(family: str, drills: int) -> None:
    draw, _ = families()[family]
    rng = np.random.default_rng(77)
    inside = np.mean([inside_and_area(draw(rng), False)[0] for _ in range(drills)])
    # Four simulation errors either way.
    assert abs(inside - 0.95) < 4 * np.sqrt(0.05 * 0.95 / drills)


def test_areas_are_those_of_the_exact_region() -> None:
    """Scatter alone (no stated errors, gain or turns) and small: the model is linear, the region exact."""
    rng = np.random.default_rng(5)
    ratio = []
    for _ in range(12):
        drill = measured_drill(rng, 6, "near", scatter_deg=(0.05, 0.05), stated_deg=1e-5, clip_turn_deg=0.0)
        drill.observations.nuisance_rad[:] = 0.0
        drill.shared_rad[:] = 0.0
        ratio.append(inside_and_area(drill, True)[1])
        assert exact_area(drill) > 0
    # The gain that was drawn stays in the bearings as a little more scatter; both areas see it alike.
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)


def test_the_benchmark_prints_a_row_a_family(monkeypatch: pytest.MonkeyPatch) -> None:
    some = {name: families()[name] for name in ("far, n = 5", "outcomes only, n = 30")}
    monkeypatch.setattr("tests.benchmarks.coverage.families", lambda: some)
    rows = run(drills=3, processes=1)
    assert [row["family"] for row in rows] == list(some)


def test_the_medians_standard_error_is_the_known_one() -> None:
    """Of normal values: the root of pi / 2 over that of their number (published: Kendall and Stuart, The Advanced
    Theory of Statistics, volume 1, the median's variance in large samples; from memory)."""
    rng = np.random.default_rng(6)
    told = np.mean([standard_error_of_median(rng.normal(size=400)) for _ in range(300)])
    assert told == pytest.approx(np.sqrt(np.pi / 2 / 400), rel=0.08)
    assert np.isnan(standard_error_of_median(np.ones(1)))
