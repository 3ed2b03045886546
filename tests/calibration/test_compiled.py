"""Compiled loops: what they give, and where they are kept."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration import compiled as compiling
from calibration.compiled import middle_of, read_only

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


@settings(deadline=None)  # The first one waits for the compiler.
@given(NUMBERS)
def test_middle_one_is_that_of_the_numbers_in_order(numbers: list[float]) -> None:
    assert middle_of(np.array(numbers)) == sorted(numbers)[len(numbers) // 2]


def test_pixels_read_only_are_the_same_ones_and_safe() -> None:
    pixels = np.zeros((4, 6), np.uint8)
    seen = read_only(pixels[1:])
    pixels[2, 3] = 7
    assert seen[1, 3] == 7
    with pytest.raises(ValueError, match="read-only"):
        seen[0, 0] = 1
    assert pixels.flags.writeable


COPIED = ("__init__.py", "compiled.py", "table.py", "errors.py")
INNER = """
from calibration.compiled import compiled

FACTOR = {factor}

@compiled
def times(x: float) -> float:
    return FACTOR * x
"""
OUTER = """
from calibration.compiled import KEPT_IN, compiled
from calibration.inner import times

@compiled
def twice(x: float) -> float:
    return times(x) + times(x)
"""
ASKED = "from calibration.outer import KEPT_IN, twice; print(KEPT_IN is not None, twice(1.0))"


def told_by(code: Path, cache: str) -> str:
    """What a program of modules in a folder prints, that keeps what it compiles in another."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA") and k != "XDG_CACHE_HOME"}
    env |= {"PYTHONPATH": str(code), "HOME": "/dev/null", "NUMBA_CACHE_DIR": cache}
    asked = [sys.executable, "-B", "-c", ASKED]
    return subprocess.run(asked, env=env, cwd=code, capture_output=True, text=True, check=True).stdout.strip()


@pytest.fixture
def code(tmp_path: Path) -> Path:
    """A package with the compiling module and two of its own, one of which takes from the other."""
    package = tmp_path / "code" / "calibration"
    package.mkdir(parents=True)
    for name in COPIED:
        (package / name).write_bytes((Path(compiling.__file__).parent / name).read_bytes())
    (package / "inner.py").write_text(INNER.format(factor="3.0"))
    (package / "outer.py").write_text(OUTER)
    return package.parent


def test_what_is_compiled_is_kept_until_a_module_changes_that_it_takes_from(code: Path, tmp_path: Path) -> None:
    assert told_by(code, str(tmp_path)) == "True 6.0"
    made = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*.nbc")}
    assert len(made) == 2
    assert told_by(code, str(tmp_path)) == "True 6.0"
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*.nbc")} == made
    # Of the same length, and its file's time put back: by that alone nobody could tell.
    inner = code / "calibration" / "inner.py"
    written = inner.stat()
    inner.write_text(INNER.format(factor="5.0"))
    os.utime(inner, ns=(written.st_atime_ns, written.st_mtime_ns))
    assert told_by(code, str(tmp_path)) == "True 10.0"


def test_where_nothing_can_be_kept_it_is_compiled_each_time(code: Path, tmp_path: Path) -> None:
    assert told_by(code, "/dev/null") == "False 6.0"
    assert not list(tmp_path.rglob("*.nbi"))
