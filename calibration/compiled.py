"""Plain loops over numbers and arrays, compiled to machine code.

What is done for every ball of every frame takes some hundred steps on arrays of a few dozen numbers; one after another
by numpy, the calls cost far more than the sums. Compiled, once, when it is first called, such a function is kept beside
its module for the next time.
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.table import Vector

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """The function, compiled by numba: numbers, arrays, and tuples of them go in and come out.

    Divisions by zero give what numpy gives. With NUMBA_DISABLE_JIT set it runs as it is written.
    """
    try:
        return cast(Function, njit(cache=True, error_model="numpy")(function))
    except RuntimeError:
        # No place to keep it: installed where nothing can be written, by somebody who has no home.
        return cast(Function, njit(error_model="numpy")(function))


def to_be_read(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
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
