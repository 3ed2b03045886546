"""The pieces of a mask by a ball's size, and where on the table a ball can be."""

from collections.abc import Iterator, Sequence
from math import hypot
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.table import POCKETS, Table, Vector
from vision.background import ball_radii_px
from vision.outlines.outline import BallView
from vision.pieces import Mask, Piece, pieces
from vision.reduced import Reduction
from vision.table_view import FREE_RING, RING_POINTS, ring

# Discs, in radii of a ball in the table's middle: what is thinner than the first falls off, gaps narrower than the
# second are closed.
OPENING_RADII, JOINING_RADII = 0.55, 0.8
# The ring, in ball radii, on which nothing else may be seen round a ball that nobody expects.
FREE_RING_RADII = 1.3
# A ball's centre may seem this much nearer to a nose than it can be; near a pocket's mouth it may be anywhere.
PLACE_TOLERANCE_M = 0.012
POCKET_REACH_RADII = 4.0


class Part(NamedTuple):
    """A piece of a mask as a ball: where it would lie, how many of a ball's discs it covers, how far it is smeared."""

    piece: Piece
    at_m: Vector
    discs: float
    smear_m: float


class BallSized:
    """Knows how large a ball is seen in the reduced picture, wherever it lies.

    Attributes
    ----------
    usual_px : radius of a ball in the table's middle, in reduced pixels.
    opening, joining : discs for opening and closing masks.
    """

    def __init__(self, plane: BallPlane, table: Table, reduction: Reduction, least_discs: float) -> None:
        """``least_discs``: how many of a ball's discs a piece covers at least that is asked for."""
        self.plane, self.table, self.reduction = plane, table, reduction
        # Far less than the smallest ball: what covers less than this need not be sized exactly.
        smallest = ball_radii_px(plane, table)[0] / reduction.factor
        self._least_area = 0.8 * least_discs * np.pi * smallest**2
        self.usual_px = plane.radius_px(table.centre_m) / reduction.factor
        self.opening, self.joining = disc(self.usual_px * OPENING_RADII), disc(self.usual_px * JOINING_RADII)
        self._mouths = np.array([table.mouth_m(pocket) for pocket in POCKETS])

    def parts(self, mask: Mask) -> Iterator[Part]:
        """The connected parts of a mask that are not far smaller than a ball."""
        factor, radius_m = self.reduction.factor, self.table.ball_radius_m
        found = pieces(mask, self._least_area)
        if not found:
            return
        at_m = self.plane.places_m(self.reduction.frame_px(np.array([piece.middle for piece in found])))
        radius = self.plane.radii_px(at_m)
        for piece, place, size in zip(found, at_m, radius.tolist(), strict=True):
            # A box is as long as the ball and its smear, give or take a reduced pixel.
            smear = max(max(piece.wide, piece.high) * factor / size - (2 + factor / size), 0.0) * radius_m
            yield Part(piece, place, piece.area / (np.pi * (size / factor) ** 2), smear)

    def stands_free(self, everywhere: Mask, view: BallView) -> bool:
        """Whether cloth or rail is seen most of the way round a ball: a knuckle or a sleeve goes on somewhere."""
        radius_px = self.plane.radius_px(view.at_m)
        x, y = ring(view.at_px, radius_px, self.reduction, everywhere.shape, FREE_RING_RADII)
        return bool((everywhere[y, x] == 0).sum() >= FREE_RING * RING_POINTS)

    def on_table(self, at_m: Vector) -> bool:
        """Whether a ball can be at a place (2,): no nearer to a nose than touching it, unless it hangs over a
        pocket."""
        table = self.table
        room = table.track_offset_m - PLACE_TOLERANCE_M
        inside = room < at_m[0] < table.length_m - room and room < at_m[1] < table.width_m - room
        return bool(inside or np.hypot(*(self._mouths - at_m).T).min() < POCKET_REACH_RADII * table.ball_radius_m)


def near(views: Sequence[BallView], at_m: Vector, within_m: float) -> bool:
    """Whether one of the balls is seen nearer than so much to a place (2,)."""
    return any(hypot(*(view.at_m - at_m)) < within_m for view in views)


def disc(radius_px: float) -> NDArray[np.uint8]:
    """A disc to open and close masks with, one pixel in radius at least."""
    side = 2 * max(1, round(radius_px)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)).astype(np.uint8)
