"""Where a film's colour samples stand among its luma samples, told from the picture itself.

A colour sample of 4:2:0 film stands for a square of four luma samples. Scalers put it in the square's middle; cameras
mostly put it on the square's left side, and some film of wide gamut on its upper left sample (ITU-T H.264, annex E:
chroma_sample_loc_type). Few files say so, and those that say nothing are of both kinds. But edges of things are edges
in luma and in colour alike, so the pictures show by how much the two are shifted.
"""

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.film.planes import NEUTRAL, Plane, Planes

MIDDLE, SIDE = 0.5, 0.0
# Noise is smoothed away over so many colour samples (sd); more would mix neighbouring edges.
SMOOTHING = 0.7
# Shifts are told by patches of so many colour samples, in which luma must explain so much of the colour's variance,
# and both must vary by so many grey levels (sd).
PATCH, EXPLAINED, ENOUGH_LEVELS = 12, 0.9, 2.0
# Fewer patches, or a median less certain than this (pixels), tell nothing.
ENOUGH_PATCHES, ENOUGH_SURE_PX = 30, 0.08
# A shift of half a pixel, or none: halfway between the two. Of 26 medians found in films with samples in the middle,
# plain and coded anew, the lowest is -0.21; moved by half a pixel they give -0.06 to -0.78, all but two below -0.28.
BORDER_PX = -0.25


def colour_place(frames: Iterable[Planes]) -> tuple[float, float]:
    """Where in the luma plane the first colour sample stands, (x, y) pixels: 0.5 or 0 each, 0.5 if it cannot be told.

    ``frames`` are Y, U, V planes of a few frames.
    """
    across: list[NDArray[np.float32]] = []
    down: list[NDArray[np.float32]] = []
    for y, u, v in frames:
        luma = _halves(y)
        to_right, to_below = _slope(luma), _slope(luma.T).T
        for plane in (u, v):
            colour = _smooth(plane[: luma.shape[0], : luma.shape[1]])
            coloured = _varied(colour)
            y_patches, c_patches = _patches(luma, coloured), _patches(colour, coloured)
            across.append(_shifts(y_patches, c_patches, _patches(to_right, coloured)))
            down.append(_shifts(y_patches, c_patches, _patches(to_below, coloured)))
    return _place(across), _place(down)


def _place(shifts: list[NDArray[np.float32]]) -> float:
    found = np.concatenate([np.empty(0, np.float32), *shifts])
    if len(found) < ENOUGH_PATCHES:
        return MIDDLE
    low, median, high = np.percentile(found, [25, 50, 75])
    # Of a normal sample: the quartiles are 1.35 sd apart, and the median's sd is 1.25 of the mean's.
    sure_px = 1.25 * (high - low) / 1.35 / np.sqrt(len(found))
    return SIDE if sure_px < ENOUGH_SURE_PX and median < BORDER_PX else MIDDLE


def _halves(y: Plane) -> NDArray[np.float32]:
    """Luma as it is where colour samples in the middle of their four pixels would stand."""
    height, width = y.shape[0] // 2, y.shape[1] // 2
    return _smooth(cv2.resize(y[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA))


def _smooth(plane: Plane) -> NDArray[np.float32]:
    return cv2.GaussianBlur(plane.astype(np.float32), (0, 0), SMOOTHING)


def _slope(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much brighter it gets to the right, in grey levels a pixel of luma; 0 at the sides."""
    slope = np.zeros_like(luma)
    slope[:, 1:-1] = (luma[:, 2:] - luma[:, :-2]) / 4
    return slope


def _varied(colour: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which patches (rows, columns) have colour that varies about enough: few of a table, and only they are cut out."""
    middle = PATCH // 2
    off = colour - NEUTRAL
    mean, mean_square = (cv2.blur(p, (PATCH, PATCH))[middle::PATCH, middle::PATCH] for p in (off, off * off))
    rows, columns = colour.shape[0] // PATCH, colour.shape[1] // PATCH
    return np.asarray((mean_square - mean * mean)[:rows, :columns] > 0.9 * ENOUGH_LEVELS**2)


def _patches(plane: NDArray[np.float32], chosen: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The chosen patches of a plane, (n, PATCH, PATCH), each without its mean."""
    rows, columns = chosen.shape
    cut = plane[: rows * PATCH, : columns * PATCH].reshape(rows, PATCH, columns, PATCH).swapaxes(1, 2)[chosen]
    return np.asarray(cut - cut.mean(axis=(1, 2), keepdims=True))


def _shifts(y: NDArray[np.float32], c: NDArray[np.float32], s: NDArray[np.float32]) -> NDArray[np.float32]:
    """How far, in luma pixels, colour samples stand to the right of the middle, for each patch that tells.

    ``y``, ``c``, ``s`` are patches of luma, colour and luma's slope. To first order a colour sample that stands by d to
    the right is a y + a d y', with y and y' the luma and its slope in the middle and a how colour goes with luma in
    that patch: the two coefficients by least squares, and their ratio.
    """
    yy, ss, cc = ((p * p).sum(axis=(1, 2)) for p in (y, s, c))
    ys, yc, sc = ((p * q).sum(axis=(1, 2)) for p, q in ((y, s), (y, c), (s, c)))
    determinant = yy * ss - ys * ys
    least = PATCH * PATCH * ENOUGH_LEVELS**2
    tell = (cc > least) & (ss > least) & (np.abs(yc) > EXPLAINED * np.sqrt(yy * cc)) & (determinant > 1e-3 * yy * ss)
    of_luma = (ss * yc - ys * sc)[tell]
    of_slope = (yy * sc - ys * yc)[tell]
    explained = (of_luma * yc[tell] + of_slope * sc[tell]) / (determinant * cc)[tell]
    kept = (explained > EXPLAINED) & (of_luma != 0)
    return of_slope[kept] / of_luma[kept]
