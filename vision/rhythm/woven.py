"""Interlaced films that do not say so, told by their pictures alone.

A picture that is woven of two moments, every other line of the later one, shows what moves as a comb: neighbouring
lines differ there by far more than lines that lie two apart, which are of one moment. In a picture of one moment it is
the other way round, for whatever is in it is spread over some lines by lens and sensor. So where a picture differs most
from the one before, its lines are looked at; a few such places tell, and then no more is looked at.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.film.clip import Frame
from vision.reduced import Picture, Reduction

# Something moves where a reduced pixel is this much lighter or darker than before, in grey levels.
MOVES = 25
# The patch looked at reaches so many reduced pixels to every side of that one.
REACH_PX = 3
# A comb: neighbouring lines differ by this many grey levels in the mean, and by this many times as much as lines that
# lie two apart. What moves along the lines alone, or stands still, has none: then they differ by less.
COMB, COMB_TIMES = 6.0, 1.5
# So many combs, and this share of all the places looked at, tell: what moves slowly shows none. After so many places
# without that there are none.
LEAST_COMBS, LEAST_SHARE, MOST_LOOKS = 8, 0.05, 300


@dataclass
class Woven:
    """Whether a film's pictures are woven of two moments; feed it with frames in order, as long as ``learning``: not
    with all, but with those in which something moves."""

    learnt: bool = False
    _looks: int = 0
    _combs: int = 0
    _before: Picture | None = None

    @property
    def learning(self) -> bool:
        return not self.learnt and self._looks < MOST_LOOKS

    def take(self, frame: Frame, luma: Picture, reduction: Reduction) -> None:
        """Take in a frame, with its reduced ``luma`` (h, w)."""
        before, self._before = self._before, luma
        if before is None or before.shape != luma.shape:
            return
        _, change, _, (x, y) = cv2.minMaxLoc(cv2.absdiff(luma, before))
        if change < MOVES:
            return
        side = reduction.factor * REACH_PX
        column, row = reduction.left + reduction.factor * x, reduction.top + reduction.factor * y
        patch = frame.y[max(row - side, 0) : row + side, max(column - side, 0) : column + side]
        self._looks += 1
        self._combs += combed(patch)
        self.learnt = self._combs >= max(LEAST_COMBS, LEAST_SHARE * self._looks)


def combed(patch: NDArray[np.uint8]) -> bool:
    """Whether a patch of luma (h, w) has lines of two moments."""
    lines = patch.astype(np.float32)
    if len(lines) < 3:
        return False
    next_ones = float(np.abs(np.diff(lines, axis=0)).mean())
    two_apart = float(np.abs(lines[2:] - lines[:-2]).mean())
    return next_ones > COMB and next_ones > COMB_TIMES * two_apart
