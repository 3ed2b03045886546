"""Compiled loops: what they give, and where they are kept."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.compiled import middle_of, to_be_read

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


@given(NUMBERS)
def test_middle_one_is_that_of_the_numbers_in_order(numbers: list[float]) -> None:
    assert middle_of(np.array(numbers)) == sorted(numbers)[len(numbers) // 2]


def test_pixels_to_be_read_are_the_same_ones_and_safe() -> None:
    pixels = np.zeros((4, 6), np.uint8)
    seen = to_be_read(pixels[1:])
    pixels[2, 3] = 7
    assert seen[1, 3] == 7
    with pytest.raises(ValueError, match="read-only"):
        seen[0, 0] = 1
    assert pixels.flags.writeable


MODULE = """
from calibration.compiled import compiled

@compiled
def doubled(x: float) -> float:
    return 2 * x
"""


@pytest.mark.parametrize("kept", [True, False])
def test_what_is_compiled_is_kept_beside_its_module_where_that_can_be(tmp_path: Path, kept: bool) -> None:
    (tmp_path / "doubling.py").write_text(MODULE)
    # Root may write everywhere: a file where the folder would be stands for a place where nobody may.
    if not kept:
        (tmp_path / "__pycache__").write_text("")
    run = subprocess.run(
        [sys.executable, "-B", "-c", "import doubling; print(doubling.doubled(21.0))"],
        env=os.environ
        | {"PYTHONPATH": f"{tmp_path}:{Path(__file__).parents[2]}", "HOME": "/dev/null", "XDG_CACHE_HOME": ""},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout == "42.0\n"
    assert bool(list(tmp_path.glob("__pycache__/*.nbi"))) == kept
