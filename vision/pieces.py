"""The connected pieces of a mask that is mostly empty."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.uint8]


@dataclass(frozen=True)
class Piece:
    """A connected piece: ``area`` in pixels, ``middle`` (x, y) its centre of mass, ``wide`` and ``high`` its box."""

    area: int
    middle: tuple[float, float]
    wide: int
    high: int
    _label: int
    _labels: NDArray[np.int32]
    _window: tuple[slice, slice]

    def draw(self, into: Mask) -> None:
        """Set its pixels in a mask of the same size to 255."""
        into[self._window][self._labels == self._label] = 255


def pieces(mask: Mask, least_area: float) -> list[Piece]:
    """The pieces of a mask with at least so many pixels, told apart over four neighbours.

    The search takes as long as the area it goes over, so it goes only over the bands of lines in which something is.
    """
    found = []
    for window in _bands(mask):
        _, labels, stats, middles = cv2.connectedComponentsWithStats(mask[window], connectivity=4)
        top, left = window[0].start, window[1].start
        for k, (_, _, wide, high, area) in enumerate(stats[1:].tolist(), start=1):
            if area >= least_area:
                x, y = middles[k].tolist()
                found.append(Piece(area, (left + x, top + y), wide, high, k, labels, window))
    return found


def opened(mask: Mask, disc: NDArray[np.uint8]) -> Mask:
    """A mask without what is thinner than a disc."""
    return _changed_by(cv2.MORPH_OPEN, mask, disc)


def closed(mask: Mask, disc: NDArray[np.uint8]) -> Mask:
    """A mask without gaps that are narrower than a disc."""
    return _changed_by(cv2.MORPH_CLOSE, mask, disc)


def _changed_by(operation: int, mask: Mask, disc: NDArray[np.uint8]) -> Mask:
    """Done where something is, and as far round it as that makes a difference."""
    left, top, width, height = cv2.boundingRect(mask)
    reach = len(disc)
    part = (
        slice(max(top - reach, 0), top + height + reach),
        slice(max(left - reach, 0), left + width + reach),
    )
    out = np.zeros_like(mask)
    if width:
        out[part] = cv2.morphologyEx(mask[part], operation, disc)
    return out


def _bands(mask: Mask) -> Iterator[tuple[slice, slice]]:
    """Stretches of lines with something in each, cut to the columns that hold it, from the top."""
    filled = np.zeros(len(mask) + 2, bool)
    filled[1:-1] = cv2.reduce(mask, 1, cv2.REDUCE_MAX)[:, 0] > 0
    for start, end in np.flatnonzero(filled[1:] != filled[:-1]).reshape(-1, 2).tolist():
        left, _, width, _ = cv2.boundingRect(mask[start:end])
        yield slice(start, end), slice(left, left + width)
