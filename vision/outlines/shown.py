"""The planes of one frame as compiled loops take them, and the colour of a ball in them."""

from typing import NamedTuple

import numpy as np

from calibration.compiled import compiled, read_only
from calibration.table import Vector
from vision.film.clip import Frame
from vision.film.planes import NEUTRAL, Plane

# The inner part of a ball over which its light is told, and the share of it that tells its hue.
INSIDE, MOST_COLOURED = 0.6, 0.25
# Colours are counted by how far from grey they are, in levels of the two planes together.
_LEVELS = 257


class Shown(NamedTuple):
    """The planes of a frame, and where in the luma plane the first colour sample stands, (x, y) pixels."""

    y: Plane
    u: Plane
    v: Plane
    colour_at_px: tuple[float, float]


def as_shown(frame: Frame) -> Shown:
    """A frame's planes as compiled functions take them."""
    x, y = frame.colour_at_px
    return Shown(read_only(frame.y), read_only(frame.u), read_only(frame.v), (float(x), float(y)))


@compiled
def inside_colour(shown: Shown, at_px: Vector, radius_px: float) -> Vector:
    """Mean Y over the inner part of a ball at (2,) pixels, and the U, V of its most coloured quarter, (3,); NaN outside
    the picture.

    A stripe turned with its pole to the camera has the mean colour of a cue ball; its most coloured part has not.
    """
    half = radius_px * INSIDE
    height, width = shown.y.shape
    left, right = max(round(at_px[0] - half), 0), min(round(at_px[0] + half), width - 1)
    top, bottom = max(round(at_px[1] - half), 0), min(round(at_px[1] + half), height - 1)
    luma, count = 0, 0
    for row in range(top, bottom + 1):
        for column in range(left, right + 1):
            luma += int(shown.y[row, column])
            count += 1
    # How many samples are so far from grey, and their sums.
    found, blue, red = np.zeros(_LEVELS, np.int64), np.zeros(_LEVELS, np.int64), np.zeros(_LEVELS, np.int64)
    samples = 0
    for row in range(top // 2, (bottom + 1) // 2 + 1):
        for column in range(left // 2, (right + 1) // 2 + 1):
            if row < shown.u.shape[0] and column < shown.u.shape[1]:
                u, v = int(shown.u[row, column]), int(shown.v[row, column])
                far = int(abs(u - NEUTRAL) + abs(v - NEUTRAL))
                found[far], blue[far], red[far] = found[far] + 1, blue[far] + u, red[far] + v
                samples += 1
    if count == 0 or samples == 0:
        return np.full(3, np.nan)
    wanted = max(int(samples * MOST_COLOURED), 1)
    total_blue, total_red, level, left_over = 0.0, 0.0, _LEVELS - 1, wanted
    while left_over > 0 and level >= 0:
        if found[level]:
            # Of those that are as far, which make the quarter full, the mean.
            taken = min(found[level], left_over)
            total_blue += blue[level] * taken / found[level]
            total_red += red[level] * taken / found[level]
            left_over -= taken
        level -= 1
    return np.array([luma / count, total_blue / wanted, total_red / wanted])
