"""Printed square markers at places measured on the table: what they are, and finding them in frames.

They are for rooms in which the table is not found by itself, or that want to be certain. A marker is a black square of
OpenCV's 4 x 4 dictionary on white paper; its number says which it is, its four corners where it lies.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Matrix
from calibration.cloth import Picture
from calibration.strips import Linear, linear_light
from calibration.table import Table, Vector

DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
HIGHEST_ID = 49
# Cells along a side: four that carry the number and the black border.
CELLS = 6
# A square smaller than this in the picture is as likely something else.
LEAST_SIDE_PX = 12.0
# Reach of the corners' refinement as a share of a cell: into the border, not across it.
REFINED_SHARE, MOST_REFINED_PX = 0.85, 8
# Corners of one marker seen in several frames lie this close together, or it was moved between them.
MOST_STRAY_PX = 3.0


@dataclass(frozen=True)
class Marker:
    """A marker as it was laid.

    Attributes
    ----------
    id : its number, 0 to 49.
    centre_m : (2,) middle of the black square in the table frame.
    turn_rad : direction of its upper edge, left to right, from +x, counter-clockwise seen from above.
    height_m : of the paper above the cloth.
    size_m : side of the black square.
    """

    id: int
    centre_m: tuple[float, float]
    turn_rad: float
    height_m: float
    size_m: float

    def corners_m(self, shift_m: Vector | None = None, turn_rad: float = 0.0, scale: float = 1.0) -> Matrix:
        """Corners (4, 3), clockwise from the upper left one, of the marker shifted, turned and printed too large."""
        half = scale * self.size_m / 2
        cos, sin = np.cos(self.turn_rad + turn_rad), np.sin(self.turn_rad + turn_rad)
        around = np.array([[-half, half], [half, half], [half, -half], [-half, -half]]) @ [[cos, sin], [-sin, cos]]
        centre = np.asarray(self.centre_m) + (0.0 if shift_m is None else shift_m)
        return np.column_stack([centre + around, np.full(4, self.height_m)])


@dataclass(frozen=True)
class MarkerLayout:
    """All markers on a table. ``place_sd_m`` is how well each was laid: the sd of its place along either axis.

    ``cut_edge_m`` is the distance from the middle of a square to the edge of its paper that stands under a nose.
    """

    table: Table
    markers: tuple[Marker, ...]
    place_sd_m: float
    cut_edge_m: float

    def marker(self, number: int) -> Marker:
        return next(m for m in self.markers if m.id == number)


@dataclass(frozen=True)
class SeenMarker:
    """A marker found in a picture: corners (4, 2) in pixels, clockwise from its own upper left one."""

    id: int
    corners_px: Matrix


@dataclass(frozen=True)
class Seen:
    """Markers found in frames; ``twice`` are numbers that stood at more than one place and so tell nothing."""

    markers: tuple[SeenMarker, ...]
    twice: tuple[int, ...]


def marker_cells(number: int) -> NDArray[np.bool_]:
    """The pattern of a marker, (6, 6) from its upper left corner, True where it is white."""
    return np.asarray(cv2.aruco.generateImageMarker(DICTIONARY, number, CELLS) > 127)


def find_markers(frames: Sequence[Picture]) -> Seen:
    """Markers in frames (uint8, BGR) of a camera that stands still.

    Each frame is searched by itself, so that a marker counts that was hidden, or not yet laid, in most of them. Its
    corners are the medians over the frames that show it.
    """
    detector = _detector()
    sightings: dict[int, list[Matrix]] = {}
    twice: set[int] = set()
    for frame in frames:
        grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
        found, ids, _ = detector.detectMarkers(grey)
        numbers = [] if ids is None else [int(k) for k in np.asarray(ids).ravel()]
        twice.update(k for k in numbers if numbers.count(k) > 1)
        light = linear_light(grey) if numbers else grey
        for number, corners in zip(numbers, found, strict=True):
            square = np.asarray(corners, dtype=np.float32).reshape(4, 2)
            side = float(np.linalg.norm(np.roll(square, 1, axis=0) - square, axis=1).min())
            if side >= LEAST_SIDE_PX:
                sightings.setdefault(number, []).append(_refined(light, square, side / CELLS))
    markers = []
    for number, places in sorted(sightings.items()):
        middle = np.median(places, axis=0)
        if np.abs(np.median(places, axis=0) - places).max(axis=(1, 2)).min() > MOST_STRAY_PX:
            twice.add(number)
        close = [p for p in places if np.abs(p - middle).max() <= MOST_STRAY_PX]
        if number not in twice:
            markers.append(SeenMarker(number, np.median(close, axis=0)))
    return Seen(tuple(markers), tuple(sorted(twice)))


def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # Without the refinement the corners are off by about a pixel; the one in linear light starts from it.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return cv2.aruco.ArucoDetector(DICTIONARY, parameters)


def _refined(light: Linear, corners_px: NDArray[np.float32], cell_px: float) -> Matrix:
    """Corners refined in linear light: in a picture's encoded values white paper seems to swell over the black."""
    reach = int(np.clip(REFINED_SHARE * cell_px, 2, MOST_REFINED_PX))
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 0.002)
    found = cv2.cornerSubPix(light, corners_px.reshape(-1, 1, 2).copy(), (reach, reach), (-1, -1), criteria)
    return np.asarray(found, dtype=float).reshape(4, 2)
