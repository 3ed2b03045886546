"""How far a picture has moved against another: by the corners of what stands still in both.

A few hundred of them (pockets, sights, the room) are followed from one picture to the other (pyramidal Lucas-Kanade),
and the turn, shift and scale that most of them share is the picture's move. People and balls cover some corners, and
those are outvoted.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Corners = NDArray[np.float32]
# One row for each of ``anchors_px``: how far the picture moved there, in pixels of the frame.
Shift = NDArray[np.float64]

# Pictures are compared at this size at most.
COMPARED_PX = 1000
MOST_CORNERS, LEAST_CORNERS = 300, 12
CORNER_QUALITY = 0.004
LEAST_SHARE = 0.3
# Light that changes by less than this does not disturb the comparison.
LEAST_GAIN = 0.03
# Corners that go with the whole picture do so within this, and within this share of its move (a lens bends it).
AGREE_PX, AGREE_SHARE = 0.5, 0.04
LEAST_MISFIT_PX = 0.4
# A picture that moved by more than this (in the size compared) may have been turned so far that its sides moved
# otherwise than its middle: then so many times as many corners agree on that as on a turn, shift and scale.
LARGE_PX, BENT_SHARE = 4.0, 1.2


def anchors_px(width: int, height: int) -> NDArray[np.float64]:
    """The places in the frame, (4, 2), at which a move is measured: a turn shows there as well as a shift."""
    return np.array([(0.2, 0.2), (0.8, 0.2), (0.2, 0.8), (0.8, 0.8)]) * [width - 1, height - 1]


class View:
    """One picture that later ones are compared with."""

    def __init__(self, luma: Picture) -> None:
        self._factor = max(1, round(max(luma.shape) / COMPARED_PX))
        self._anchors = anchors_px(luma.shape[1], luma.shape[0])
        self._picture = self._reduced(luma)
        self._coarse = _coarse(self._picture)
        found = cv2.goodFeaturesToTrack(self._picture, MOST_CORNERS, CORNER_QUALITY, max(self._picture.shape) / 60)
        self._corners = np.zeros((0, 1, 2), np.float32) if found is None else found.astype(np.float32)

    @property
    def blank(self) -> bool:
        """Whether the picture has too few corners to be found again."""
        return len(self._corners) < LEAST_CORNERS

    def shift_px(self, luma: Picture) -> Shift | None:
        """How far another picture has moved against this one; None when they share too little to tell."""
        if self.blank:
            return None
        picture = self._reduced(luma)
        gain = float(np.clip(np.median(self._coarse / np.maximum(_coarse(picture), 1.0)), 0.4, 2.5))
        if abs(gain - 1) > LEAST_GAIN:
            picture = cv2.convertScaleAbs(picture, alpha=gain).astype(np.uint8)
        there, found, _ = cv2.calcOpticalFlowPyrLK(self._picture, picture, self._corners, None, winSize=(21, 21))
        followed = found.ravel() > 0
        here, there = self._corners[followed, 0], there[followed, 0]
        if len(here) < LEAST_CORNERS:
            return None
        usual = float(np.median(np.hypot(*(there - here).T)))
        reach = AGREE_PX + AGREE_SHARE * usual
        # Pixel (0, 0) is the centre of the top-left pixel, in the reduced picture too.
        at = (self._anchors + 0.5) / self._factor - 0.5
        enough = max(LEAST_CORNERS, LEAST_SHARE * len(self._corners))
        alike = _alike(here, there, reach, enough)
        if usual > LARGE_PX:
            # A turn by much may leave too few corners that agree on anything simpler.
            least = enough if alike is None else max(enough, BENT_SHARE * alike.agree)
            knock = _knock(here, there, reach)
            if knock is not None and _agree(knock, here, there) > least:
                return (cv2.perspectiveTransform(at[None].astype(float), knock)[0] - at) * self._factor
        return None if alike is None else np.asarray((at @ alike.slopes.T + alike.offset - at) * self._factor)

    def _reduced(self, luma: Picture) -> Picture:
        size = luma.shape[1] // self._factor, luma.shape[0] // self._factor
        cut = luma[: size[1] * self._factor, : size[0] * self._factor]
        return cv2.resize(cut, size, interpolation=cv2.INTER_AREA).astype(np.uint8) if self._factor > 1 else cut


@dataclass(frozen=True)
class _Alike:
    """The turn, shift and scale that most corners share, (2, 2) and (2,), and how many corners are where it says."""

    slopes: Shift
    offset: NDArray[np.float64]
    agree: int


def _alike(here: Corners, there: Corners, reach_px: float, enough: float) -> _Alike | None:
    """What most corners share in how they moved; None when fewer than ``enough`` do."""
    matrix, agreeing = cv2.estimateAffinePartial2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=reach_px)
    if matrix is None or agreeing.sum() < enough:
        return None
    chosen = agreeing.ravel() > 0
    slopes, offset = _similarity(here[chosen], there[chosen])
    # Once more without the outskirts of those that agree: after a large move the limit above is wide.
    misfit = np.hypot(*(here @ slopes.T + offset - there).T)
    agree = int((misfit < AGREE_PX).sum())
    chosen = misfit <= max(2 * float(np.median(misfit[chosen])), LEAST_MISFIT_PX)
    return _Alike(*_similarity(here[chosen], there[chosen]), agree)


def _knock(here: Corners, there: Corners, reach_px: float) -> NDArray[np.float64] | None:
    """How a picture moved that was turned by much: a homography (3, 3), which a turn of the camera is whatever its size
    (Hartley & Zisserman 2004, Multiple View Geometry; the lens's distortion left aside). None when corners do not tell.
    """
    matrix, agreeing = cv2.findHomography(here, there, cv2.RANSAC, reach_px)
    if matrix is None or agreeing.sum() < LEAST_CORNERS:
        return None
    matrix, _ = cv2.findHomography(here[agreeing.ravel() > 0], there[agreeing.ravel() > 0], 0)
    return None if matrix is None else np.asarray(matrix, dtype=float)


def _agree(matrix: NDArray[np.float64], here: Corners, there: Corners) -> int:
    """How many corners a homography brings where they were found."""
    brought = cv2.perspectiveTransform(here[None].astype(float), matrix)[0]
    return int((np.hypot(*(brought - there).T) < AGREE_PX).sum())


def _similarity(here: NDArray[np.float32], there: NDArray[np.float32]) -> tuple[Shift, NDArray[np.float64]]:
    """Least squares: turn and scale (2, 2), and shift (2,), that carry points (n, 2) to others."""
    middle, goal = here.mean(axis=0, dtype=float), there.mean(axis=0, dtype=float)
    (x, y), (u, v) = (here - middle).T, (there - goal).T
    size = max(float((x * x + y * y).sum()), 1e-9)
    along, across = float((x * u + y * v).sum()) / size, float((x * v - y * u).sum()) / size
    slopes = np.array([[along, -across], [across, along]])
    return slopes, goal - slopes @ middle


def _coarse(picture: Picture) -> NDArray[np.float64]:
    """Brightness field by field: the median over fields takes no notice of somebody who stands in the picture."""
    return cv2.resize(picture, (16, 9), interpolation=cv2.INTER_AREA).astype(float)


def apart_px(first: Shift, second: Shift) -> float:
    """The largest distance between two shifts."""
    return float(np.hypot(*(first - second).T).max())


def size_px(shift: Shift) -> float:
    """The largest distance by which a shift moves any of the anchors."""
    return float(np.hypot(*shift.T).max())
