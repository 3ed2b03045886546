"""A still with the camera's model drawn over it, so that a person can see whether it fits."""

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.accuracy import place_sd_m
from calibration.camera import Matrix, Setup
from calibration.cloth import Picture
from calibration.table import POCKETS, RAILS, Vector

NOSE_BGR = (0, 255, 255)
TRACK_BGR = (255, 255, 0)
MOUTH_BGR = (255, 0, 255)
SIGHT_BGR = (0, 140, 255)
TEXT_BGR = (255, 255, 255)
# Where the accuracy is noted, as shares of the table's length and width.
FIGURES_ALONG, FIGURES_ACROSS = (0.1, 0.3, 0.5, 0.7, 0.9), (0.2, 0.5, 0.8)
# Fractions of a pixel that OpenCV's drawing keeps.
SHIFT_BITS = 4
FAR_PX = 20000.0


def draw_setup(frame: Picture, setup: Setup, *, rotation_deg: int = 0) -> Picture:
    """Draw noses, track lines, pockets' mouths and sights; name the rails; mark the head; note the accuracy.

    The figures over the cloth are the sd, in millimetres, with which the camera places a ball there.

    Parameters
    ----------
    frame : stored frame (uint8, BGR) of the size that the camera was registered at; it is left as it is.
    rotation_deg : how far the frame is turned clockwise to stand upright; the picture returned is turned so.
    """
    picture = np.rot90(frame, -rotation_deg // 90).copy()
    pen = _Pen(picture, setup, rotation_deg)
    table = setup.table
    h, r = table.nose_height_m, table.ball_radius_m
    L, W, o = table.length_m, table.width_m, table.track_offset_m
    pen.polyline(np.array([[o, o, r], [L - o, o, r], [L - o, W - o, r], [o, W - o, r], [o, o, r]]), TRACK_BGR)
    for rail in RAILS:
        pen.polyline(table.nose_segment(rail), NOSE_BGR)
        for sight in table.sights_m(rail):
            pen.circle(sight, SIGHT_BGR)
    for pocket in POCKETS if table.has_pockets else ():
        jaws = table.jaw_points_m(pocket)
        pen.polyline(np.column_stack([jaws, [h, h]]), MOUTH_BGR)
    for rail in RAILS:
        start, end = table.nose_segment(rail)
        middle = start + (0.5 if rail in ("head", "foot") else 0.3) * (end - start)
        inward = np.array([*table.centre_m, h]) - middle
        inward[0 if rail in ("left", "right") else 1] = 0.0
        pen.text(rail.upper() if rail == "head" else rail, middle + 0.11 * inward / np.linalg.norm(inward))
    pen.text("0, 0", np.array([0.09, 0.06, 0.0]))
    figures = np.array([(u * L, v * W) for u in FIGURES_ALONG for v in FIGURES_ACROSS])
    told = [(place, sd) for place, sd in zip(figures, place_sd_m(setup, figures), strict=True) if np.isfinite(sd)]
    for place, sd in told:
        pen.text(f"{1000 * sd:.2f}", np.array([*place, r]), 0.5)
    note = " Figures: sd of a ball's place, mm." if told else ""
    pen.caption(f"{table.name}, nose lines yellow, track of the balls' centres cyan: both must lie true.{note}")
    return picture


class _Pen:
    """Draws points of the table frame on an upright picture."""

    def __init__(self, picture: Picture, setup: Setup, rotation_deg: int) -> None:
        self.picture, self.camera, self.rotation_deg = picture, setup.camera, rotation_deg
        self.unit = max(picture.shape[:2]) / 1920
        self.written: list[Vector] = []

    def polyline(self, points_m: Matrix, colour: tuple[int, int, int]) -> None:
        """Line through points, followed closely, as a lens bends it."""
        shares = np.linspace(0, 1, 40, endpoint=False)[:, None]
        dense = [a + shares * (b - a) for a, b in pairwise(points_m)]
        pixels = self._upright(np.concatenate([*dense, points_m[-1:]]))
        width = max(1, round(self.unit))
        # Of a table that reaches out of the frame, stretches far outside or behind the camera are left out.
        near = np.asarray((np.abs(np.nan_to_num(pixels, nan=np.inf)) < FAR_PX).all(axis=1))
        for k in np.flatnonzero(np.logical_and(near[1:], near[:-1])):
            fixed = np.round(pixels[k : k + 2] * 2**SHIFT_BITS).astype(np.int32)
            cv2.polylines(self.picture, [fixed], False, colour, width, cv2.LINE_AA, SHIFT_BITS)

    def circle(self, point_m: Vector, colour: tuple[int, int, int]) -> None:
        at = self._pixel(point_m)
        if at is not None:
            cv2.circle(self.picture, at, max(3, round(9 * self.unit)), colour, max(1, round(self.unit)), cv2.LINE_AA)

    def text(self, words: str, middle_m: Vector, share: float = 0.7) -> None:
        """Words round a place, where they fit into the picture and beside what is written already."""
        at = self._pixel(middle_m)
        if at is None:
            return
        size = share * self.unit
        (width, height), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
        box = np.array([at[0] - width / 2, at[1] - height / 2, at[0] + width / 2, at[1] + height / 2])
        bottom, right = self.picture.shape[:2]
        if (box[:2] < 0).any() or box[2] > right or box[3] > bottom:
            return
        # Far off on a low view there is no room for everything: what comes first stays.
        if any((box[:2] < other[2:]).all() and (other[:2] < box[2:]).all() for other in self.written):
            return
        self.written.append(box)
        self._write(words, (at[0] - width // 2, at[1] + height // 2), size)

    def caption(self, words: str) -> None:
        room = self.picture.shape[1] - 24
        size = 0.7 * self.unit
        (width, _), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
        self._write(words, (12, self.picture.shape[0] - 14), size * min(1.0, room / width))

    def _write(self, words: str, at: tuple[int, int], size: float) -> None:
        thick = max(1, round(1.5 * self.unit))
        cv2.putText(self.picture, words, at, cv2.FONT_HERSHEY_SIMPLEX, size, (0, 0, 0), 3 * thick, cv2.LINE_AA)
        cv2.putText(self.picture, words, at, cv2.FONT_HERSHEY_SIMPLEX, size, TEXT_BGR, thick, cv2.LINE_AA)

    def _pixel(self, point_m: Vector) -> tuple[int, int] | None:
        at = self._upright(point_m[None])[0]
        return (round(float(at[0])), round(float(at[1]))) if np.isfinite(at).all() else None

    def _upright(self, points_m: Matrix) -> NDArray[np.float64]:
        pixels = self.camera.project(points_m)
        right, down = self.camera.width - 1, self.camera.height - 1
        x, y = pixels[:, 0], pixels[:, 1]
        turned = {0: (x, y), 90: (down - y, x), 180: (right - x, down - y), 270: (y, right - x)}
        return np.column_stack(turned[self.rotation_deg % 360])
