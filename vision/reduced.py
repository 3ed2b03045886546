"""Frames at a reduced size: small enough to look at all of them, large enough that a ball is still a disc.

At this size the smallest ball on the table is still some six pixels across. Of the frame no more is reduced than the
table and a little around it.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.compiled import compiled, read_only
from vision.film.clip import Frame

Picture = NDArray[np.uint8]
# Y, U and V, (h, w) each: bounds are tried on planes in a fraction of the time that a picture of triples takes.
Planes = tuple[Picture, Picture, Picture]

# Radius of the smallest ball in the reduced picture, in its pixels, about.
RADIUS_PX = 3.3


@dataclass(frozen=True)
class Reduction:
    """Which part of a frame is looked at, and how much smaller.

    Attributes
    ----------
    factor : how many pixels of the frame make one reduced pixel; a power of two, 2 at least.
    left, top, right, bottom : the part, in pixels of the frame; multiples of ``factor``, the last two not included.
    """

    factor: int
    left: int
    top: int
    right: int
    bottom: int

    def luma(self, frame: Frame) -> Picture:
        """The frame's luma, (h, w)."""
        return _halved(frame.y[self.top : self.bottom, self.left : self.right], self.factor)

    def planes(self, frame: Frame, luma: Picture) -> Planes:
        """The frame, given its reduced luma."""
        rows, columns = slice(self.top // 2, self.bottom // 2), slice(self.left // 2, self.right // 2)
        u, v = (_halved(plane[rows, columns], self.factor // 2) for plane in (frame.u, frame.v))
        return luma, u, v

    def reduced_px(self, frame_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places in the reduced picture, (..., 2), of places in the frame; pixel (0, 0) is its pixel's centre."""
        return (frame_px - (self.left, self.top) + 0.5) / self.factor - 0.5

    def nearest_px(self, frame_px: NDArray[np.float64]) -> tuple[int, int]:
        """The reduced pixel, x and y, nearest to one place in the frame (2,); (-1, -1) for one that is no number."""
        # In numbers by themselves, in a tenth of the time: this is asked of every ball of every frame.
        x, y = frame_px.tolist()
        if not (math.isfinite(x) and math.isfinite(y)):
            return -1, -1
        return round((x - self.left + 0.5) / self.factor - 0.5), round((y - self.top + 0.5) / self.factor - 0.5)

    def frame_px(self, reduced_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places in the frame, (..., 2), of places in the reduced picture."""
        return (reduced_px + 0.5) * self.factor - 0.5 + (self.left, self.top)


def reduction_of(
    outline_px: NDArray[np.float64], smallest_radius_px: float, around_px: float, width: int, height: int
) -> Reduction:
    """How frames of ``width`` x ``height`` are reduced, given where balls are seen and how small.

    ``outline_px`` (n, 2) encloses where balls are seen; ``around_px`` more is looked at on every side, as far as the
    frame goes.
    """
    # A power of two: halving is ten times faster than any other reduction, and the colour planes have half the size.
    factor = 2 ** max(1, round(math.log2(smallest_radius_px / RADIUS_PX)))
    low = np.floor((outline_px.min(axis=0) - around_px) / factor)
    high = np.ceil((outline_px.max(axis=0) + around_px) / factor)
    left, top = (factor * np.maximum(low, 0)).astype(int).tolist()
    # What is left over at the frame's far edges is cut off.
    right, bottom = (factor * np.minimum(high, (width // factor, height // factor))).astype(int).tolist()
    return Reduction(factor, left, top, right, bottom)


def _halved(plane: Picture, factor: int) -> Picture:
    """A plane averaged over blocks of factor x factor pixels."""
    while factor > 2:
        plane = _halved_twice(read_only(plane))
        factor //= 4
    if factor == 2:
        height, width = plane.shape
        plane = cv2.resize(plane, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    return plane


@compiled
def _halved_twice(plane: Picture) -> Picture:
    """What halving a plane and halving it again gives, in one go through its memory."""
    height, width = plane.shape[0] // 4, plane.shape[1] // 4
    out = np.empty((height, width), np.uint8)
    upper, lower = np.empty(4 * width, np.uint16), np.empty(4 * width, np.uint16)
    half = np.empty(2 * width, np.uint16)
    for row in range(height):
        first, second, third, fourth = plane[4 * row], plane[4 * row + 1], plane[4 * row + 2], plane[4 * row + 3]
        # One more on either side of a pair, for the sum to be rounded.
        for k in range(4 * width):
            upper[k] = np.uint16(first[k]) + np.uint16(second[k]) + np.uint16(1)
            lower[k] = np.uint16(third[k]) + np.uint16(fourth[k]) + np.uint16(1)
        for k in range(2 * width):
            half[k] = ((upper[2 * k] + upper[2 * k + 1]) >> 2) + ((lower[2 * k] + lower[2 * k + 1]) >> 2)
        for k in range(width):
            out[row, k] = (half[2 * k] + half[2 * k + 1] + 2) >> 2
    return out
