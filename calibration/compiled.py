"""Plain loops over numbers and arrays, compiled to machine code.

What is done for every ball of every frame takes some hundred steps on arrays of a few dozen numbers; one after another
by numpy, the calls cost far more than the sums. Compiled, once, when it is first called, such a function is kept for
the next time, in the user's cache folder.
"""

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray
from platformdirs import user_cache_path

from calibration.table import Vector

Function = TypeVar("Function", bound=Callable[..., Any])

_ROOT = Path(__file__).parents[1]
# What was compiled from other versions of the code is kept for so many of them: it is made again in seconds.
_VERSIONS_KEPT = 4
_IMPORTED = re.compile(r"^from ((?:calibration|vision)[\w.]*) import", re.MULTILINE)


def _sources() -> Iterator[Path]:
    """The modules that have compiled functions, and all that those take functions and constants from."""
    todo = [p for folder in ("calibration", "vision") for p in sorted((_ROOT / folder).rglob("*.py")) if _compiles(p)]
    seen = set(todo)
    while todo:
        source = todo.pop()
        yield source
        for name in _IMPORTED.findall(source.read_text(encoding="utf-8")):
            other = _ROOT / (name.replace(".", "/") + ".py")
            if other not in seen and other.exists():
                seen.add(other)
                todo.append(other)


def _compiles(source: Path) -> bool:
    return "@compiled" in source.read_text(encoding="utf-8")


def _kept_in() -> Path | None:
    """The folder for what is compiled of these very sources; None where there can be none.

    numba itself looks at a function's own file alone, but numbers and functions from others become part of the code.
    """
    try:
        version = hashlib.sha256(b"\0".join(source.read_bytes() for source in sorted(_sources()))).hexdigest()[:16]
        named = os.environ.get("NUMBA_CACHE_DIR")
        folder = (Path(named) if named else user_cache_path("railpoint")) / "compiled"
        if not (folder / version).exists():
            (folder / version).mkdir(parents=True, exist_ok=True)
            for old in sorted(folder.iterdir(), key=lambda one: one.stat().st_mtime)[:-_VERSIONS_KEPT]:
                shutil.rmtree(old, ignore_errors=True)
        return folder / version if os.access(folder / version, os.W_OK) else None
    except OSError:
        return None


KEPT_IN = _kept_in()
if KEPT_IN is not None:
    numba.config.CACHE_DIR = str(KEPT_IN)  # type: ignore[attr-defined]


def compiled(function: Function) -> Function:
    """The function, compiled by numba: numbers, arrays, and tuples of them go in and come out.

    Divisions by zero give what numpy gives; places beyond an array's ends are not looked for. With NUMBA_DISABLE_JIT
    set it runs as it is written.
    """
    return cast(Function, numba.njit(cache=KEPT_IN is not None, error_model="numpy")(function))


def read_only(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Pixels that nobody writes to, whether their memory is one's own or not: to compiled functions these are two
    kinds, and each kind takes seconds to compile for."""
    pixels = pixels.view()
    pixels.flags.writeable = False
    return pixels


@compiled
def middle_of(values: Vector) -> float:
    """The middle one of some values (n,); of an even number the higher of the middle two. Puts them in order."""
    for k in range(1, len(values)):
        value, place = values[k], k
        while place > 0 and values[place - 1] > value:
            values[place] = values[place - 1]
            place -= 1
        values[place] = value
    return values[len(values) // 2]
