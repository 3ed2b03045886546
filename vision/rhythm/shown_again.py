"""Films that show every picture several times over, told by their pictures alone.

A film of 30 pictures a second that was brought to 60, 120 or 240 by repeating them has a rhythm: where something moves
fast a picture differs much from the one before, then some hardly at all, then one much again. A coder changes pictures
that are shown again by little, so they differ by far less than those that are new; a ball that rolls slowly does so
too, and is then told by the rhythm, which goes on where nothing moves. Once the rhythm is known, which a third of a
second of something fast tells, the film is read from its beginning at the rate at which its pictures were taken.

Films that show some of their pictures only twice have no such rhythm: see ``repeats``.
"""

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.reduced import Picture

# Pictures differ much where a patch of reduced pixels is this much lighter or darker in the mean, in grey levels.
MUCH, PATCH_PX = 20.0, 3
# What is shown again differs by no more than this share of what the new pictures on either side do.
LITTLE_SHARE = 0.25
# So many new pictures one after the other, each shown as often as the others or once more, are a rhythm; so many new
# ones without one between them that is shown again show that there is none.
LEAST_PICTURES, LEAST_NEW = 8, 3
# Pictures shown so often have stood still, or something else is at play.
MOST_TIMES = 20


@dataclass
class ShownAgain:
    """Which frames show a picture once more. Feed it with every frame, in order, and again from the film's beginning
    when ``learnt`` becomes true.

    ``times`` says how often a picture is shown, in the mean; 1 for a film without a rhythm, NaN when not yet known.
    """

    times: float = float("nan")
    _before: Picture | None = None
    # While it is learnt: how often each picture was shown, how much the last new one differed, and what came since.
    _runs: list[int] = field(default_factory=list)
    _differed: float = float("nan")
    _rests: int = 0
    _rested: float = 0.0
    # Once it is: how many pictures in how many frames told how often; how often one is shown at most. The frame's
    # number, at which one the next new picture is due, how often this one was shown, and whether it differed much.
    _told: int = 0
    _frames: int = 0
    _most: int = 1
    _number: int = 0
    _due: float = 0.0
    _shown: int = 0
    _lively: bool = False

    @property
    def learnt(self) -> bool:
        """Whether the film is known to show its pictures several times over."""
        return self.times > 1

    def begin(self) -> None:
        """The film is about to come from its beginning."""
        self._before, self._number, self._due, self._shown, self._lively = None, 0, 0.0, 0, False
        self._differed = float("nan")

    def again(self, luma: Picture) -> bool:
        """Whether a frame, of reduced ``luma`` (h, w), shows the picture before it; False until it is learnt."""
        differs, self._before = _difference(luma, self._before), luma
        if self.learnt:
            return self._once_more(differs)
        if np.isfinite(differs):
            self._learn(differs)
        return False

    def _once_more(self, differs: float) -> bool:
        self._number += 1
        self._shown += 1
        new = differs > (max(MUCH, LITTLE_SHARE * self._differed) if self._lively else MUCH)
        # While things move fast they tell themselves when a picture is new: a coder may bring it a frame too soon.
        late = self._shown >= self._most if self._lively else self._number >= self._due
        if not new and not late:
            return True
        if new and self._lively:
            self._told, self._frames = self._told + 1, self._frames + self._shown
            self.times = self._frames / self._told
        self._due = (self._number if new else max(self._due, self._number - 1.0)) + self.times
        self._shown, self._lively, self._differed = 0, bool(new and np.isfinite(differs)), differs
        return False

    def _learn(self, differs: float) -> None:
        """Take in how much a frame differs from the one before."""
        if differs <= MUCH:
            self._rests, self._rested = self._rests + 1, max(self._rested, differs)
            return
        little = self._rested <= LITTLE_SHARE * min(differs, self._differed)
        if self._rests >= MOST_TIMES or not little:
            self._runs.clear()
        elif np.isfinite(self._differed):
            self._runs = [*self._runs[1 - LEAST_PICTURES :], self._rests + 1]
        self._differed, self._rests, self._rested = differs, 0, 0.0
        if self._runs[-LEAST_NEW:] == [1] * LEAST_NEW:
            self.times = 1.0
        elif len(self._runs) == LEAST_PICTURES and min(self._runs) > 1 and np.ptp(self._runs) <= 1:
            self._told, self._frames, self._most = LEAST_PICTURES, sum(self._runs), max(self._runs) + 1
            self.times = self._frames / self._told


def _difference(luma: Picture, before: Picture | None) -> float:
    """By how much the patch that changed most did, in grey levels; infinite when there is nothing to compare."""
    if before is None or before.shape != luma.shape:
        return float("inf")
    change: NDArray[np.uint8] = cv2.absdiff(luma, before)
    return float(cv2.boxFilter(change, cv2.CV_32F, (PATCH_PX, PATCH_PX)).max())
