"""The median of some pictures, pixel by pixel, without sorting each pixel by itself."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Kind = TypeVar("Kind", np.uint8, np.float32)

# Rows done at a time: what is compared stays in the processor's cache.
BAND_ROWS = 16


def median_of(pictures: Sequence[NDArray[Kind]]) -> NDArray[Kind]:
    """The median of pictures of one shape (h, ...); of an even number, the mean of the middle two, cut off for uint8.
    NaN where any of them is NaN.

    All pixels of a band go through one sorting network: merge exchange (Batcher, AFIPS Spring Joint Computer
    Conference 32, 1968; Knuth, The Art of Computer Programming 3, algorithm 5.2.2M, from memory), whose steps are
    minima and maxima of whole arrays.
    """
    count = len(pictures)
    if count == 1:
        return pictures[0]
    steps = list(_exchanges(count))
    out = np.empty_like(pictures[0])
    for top in range(0, len(out), BAND_ROWS):
        band = [picture[top : top + BAND_ROWS].copy() for picture in pictures]
        spare = np.empty_like(band[0])
        for low, high in steps:
            np.minimum(band[low], band[high], out=spare)
            np.maximum(band[low], band[high], out=band[high])
            band[low], spare = spare, band[low]
        below, above = band[(count - 1) // 2], band[count // 2]
        # The mean of the two without a wider type.
        half = (above - below) // 2 if out.dtype == np.uint8 else (above - below) / 2
        out[top : top + BAND_ROWS] = below + half
    return out


def _exchanges(count: int) -> Iterator[tuple[int, int]]:
    """Which pairs to put in order, one after another, so that ``count`` things get sorted."""
    top = 1 << (count - 1).bit_length() - 1
    reach = top
    while reach > 0:
        stride, offset, distance = top, 0, reach
        while True:
            for k in range(count - distance):
                if k & reach == offset:
                    yield k, k + distance
            if stride == reach:
                break
            distance, stride, offset = stride - reach, stride // 2, reach
        reach //= 2
