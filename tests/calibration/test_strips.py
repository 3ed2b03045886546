"""What crossings along a rail tell of the errors that they do not show: those that shift or turn all of it."""

import tracemalloc

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.strips import TURN, Crossings, Run, Strip, encoded, linear_light, smooth_run

PIECES, DRAWS = 60, 200
PX_PER_M = 600.0
ALONG_M = np.linspace(0.1, 2.4, PIECES)
# From -1 to 1 along the rail.
SHARE = np.linspace(-1, 1, PIECES)


def run_of(errors_px: NDArray[np.float64]) -> Run:
    strip = Strip(
        "left", ALONG_M, np.zeros(1), np.zeros((PIECES, 1, 3), np.float32), 0.0, 0.0, np.full(PIECES, PX_PER_M)
    )
    run = smooth_run(Crossings(strip, errors_px / PX_PER_M, np.ones(PIECES)))
    assert run is not None
    return run


def errors(random: np.random.Generator, alike: float) -> NDArray[np.float64]:
    """A first-order autoregression of unit variance, a tenth of a pixel large."""
    out = random.standard_normal(PIECES)
    for k in range(1, PIECES):
        out[k] = alike * out[k - 1] + np.sqrt(1 - alike**2) * out[k]
    return 0.1 * out


@pytest.mark.parametrize("alike", [0.0, 0.4, 0.8])
def test_slow_waves_tell_what_turns_the_whole_rail(alike: float) -> None:
    """However far errors run on, what is stated for the turn at the ends is as large as the turns are."""
    random = np.random.default_rng(5)
    turns, stated = [], []
    for _ in range(DRAWS):
        drawn = errors(random, alike)
        turns.append(float(np.polyfit(SHARE, drawn, 1)[0]))
        stated.append(TURN * run_of(drawn).slow_px)
    ratio = float(np.sqrt(np.mean(np.square(turns)) / np.mean(np.square(stated))))
    assert 0.8 < ratio < 1.4
    # Independent errors of the same scatter would turn it by this.
    independent = TURN * 0.1 / np.sqrt(PIECES)
    assert alike < 0.8 or np.mean(stated) > 1.8 * independent


def test_a_shift_and_a_turn_are_no_slow_waves() -> None:
    drawn = errors(np.random.default_rng(6), 0.7)
    assert run_of(drawn + 0.4 + 0.9 * SHARE).slow_px == pytest.approx(run_of(drawn).slow_px, rel=1e-6)
    assert run_of(drawn + 0.4 * SHARE**2).slow_px > 1.5 * run_of(drawn).slow_px


def test_linear_light_and_back() -> None:
    picture = np.random.default_rng(3).integers(0, 256, (5, 7, 3), np.uint8)
    light = linear_light(picture)
    assert (light.shape, light.dtype) == (picture.shape, np.float32)
    assert 255 * encoded(light) == pytest.approx(picture, abs=0.01)


def test_linear_light_takes_no_memory_but_for_its_result() -> None:
    picture = np.zeros((540, 960, 3), np.uint8)
    tracemalloc.start()
    try:
        light = linear_light(picture)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 1.2 * light.nbytes
