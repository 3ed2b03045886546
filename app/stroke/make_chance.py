"""The chance to make a shot: margins against the stroke spread, and, as a second factor, speed against its own limits.

The line delivered is normal round the one intended. Gelman and Nolan (Teaching Statistics, 2002) describe golf putts
so, with the hole's margin to either side; a later case study adds the distance as an independent second factor.
Here the margins to the left and the right differ, and the line intended may lie beside the one needed.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from calibration.table import Vector


def make_chance(
    left_rad: ArrayLike, right_rad: ArrayLike, spread_rad: ArrayLike, offset_rad: ArrayLike = 0.0
) -> Vector:
    """Chance that a delivered line stays within the margins; all arguments broadcast, the result has their shape.

    The line may exceed the needed one by ``left_rad`` and fall short of it by ``right_rad`` (either may be infinite, or
    negative: then the needed line itself is no good). It is delivered with standard deviation ``spread_rad`` round a
    line that exceeds the needed one by ``offset_rad``. Margins that leave no room give 0, unknown values (NaN) NaN.

    Raises ValueError for a spread below zero.
    """
    return _within(left_rad, right_rad, spread_rad, offset_rad)


def speed_chance(slower: ArrayLike, faster: ArrayLike, spread: ArrayLike, offset: ArrayLike = 0.0) -> Vector:
    """Chance that the speed delivered stays within limits, as shares of the speed intended.

    It may be lower by ``slower`` and higher by ``faster``, and is delivered with standard deviation ``spread`` round
    1 + ``offset``. Where the errors are in the length that the ball runs, the arguments are shares of that length.

    Raises ValueError for a spread below zero.
    """
    return _within(faster, slower, spread, offset)


def line_and_speed_chance(
    left_rad: ArrayLike,
    right_rad: ArrayLike,
    spread_rad: ArrayLike,
    slower: ArrayLike,
    faster: ArrayLike,
    speed_spread: ArrayLike,
    *,
    offset_rad: ArrayLike = 0.0,
    speed_offset: ArrayLike = 0.0,
) -> Vector:
    """Chance that line and speed are both good, errors of the two being independent (as in the case study of golf).

    Raises ValueError for a spread below zero.
    """
    line = make_chance(left_rad, right_rad, spread_rad, offset_rad)
    return line * speed_chance(slower, faster, speed_spread, speed_offset)


def _within(above: ArrayLike, below: ArrayLike, spread: ArrayLike, offset: ArrayLike) -> Vector:
    """Chance that a normal error with mean ``offset`` lies between -``below`` and ``above``."""
    high, low = np.asarray(above, dtype=float) - offset, -np.asarray(below, dtype=float) - offset
    sd = np.asarray(spread, dtype=float)
    if np.any(sd < 0):
        raise ValueError("a spread cannot be below zero")
    with np.errstate(divide="ignore", invalid="ignore"):
        top, bottom = high / sd, low / sd
        # In the upper tail both shares are near one, and their difference would be rounding: take it mirrored.
        mirrored = bottom > 0
        chance = np.where(mirrored, ndtr(-bottom) - ndtr(-top), ndtr(top) - ndtr(bottom))
        exact = np.where((low <= 0) & (high >= 0), 1.0, 0.0)
    known = np.isfinite(sd) & ~np.isnan(low) & ~np.isnan(high)
    chance = np.where(sd == 0, exact, chance)
    chance = np.where(high > low, chance, 0.0)
    result: Vector = np.where(known, chance, np.nan)
    return result
