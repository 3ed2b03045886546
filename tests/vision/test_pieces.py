"""Pieces of a mask: against the labelling of a general-purpose library on masks made by chance."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from vision.pieces import Mask, Piece, closed, opened, pieces


def mask_of(seed: int, share: float) -> Mask:
    random = np.random.default_rng(seed)
    mask = np.zeros((60, 90), np.uint8)
    mask[random.random(mask.shape) < share] = 255
    # Stretches of empty lines, at the edges too.
    mask[random.random(len(mask)) < 0.3] = 0
    return mask


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("share", [0.02, 0.3, 0.7])
def test_same_pieces_as_a_library_finds(seed: int, share: float) -> None:
    mask = mask_of(seed, share)
    labels, count = ndimage.label(mask)
    found = {tuple(np.flatnonzero(drawn(piece, mask))): piece for piece in pieces(mask, 3)}
    expected = {tuple(np.flatnonzero(labels == k)): k for k in range(1, count + 1) if (labels == k).sum() >= 3}
    assert found.keys() == expected.keys()
    for pixels, piece in found.items():
        y, x = np.divmod(np.array(pixels), mask.shape[1])
        assert piece.area == len(pixels)
        assert piece.middle == pytest.approx((x.mean(), y.mean()))
        assert (piece.wide, piece.high) == (np.ptp(x) + 1, np.ptp(y) + 1)


def drawn(piece: Piece, like: Mask) -> Mask:
    into = np.zeros_like(like)
    piece.draw(into)
    return into


def test_empty_mask_has_none() -> None:
    assert pieces(np.zeros((20, 30), np.uint8), 1) == []


@pytest.mark.parametrize("radius", [1, 3])
@pytest.mark.parametrize(("operation", "changed"), [(cv2.MORPH_OPEN, opened), (cv2.MORPH_CLOSE, closed)])
@pytest.mark.parametrize("where", [np.s_[20:45, 30:70], np.s_[:30, 60:], np.s_[:, :], np.s_[5:5, 5:5]])
def test_masks_are_changed_as_the_library_changes_them_whole(
    radius: int,
    operation: int,
    changed: Callable[[Mask, NDArray[np.uint8]], Mask],
    where: tuple[slice, slice],
) -> None:
    mask = np.zeros((60, 90), np.uint8)
    random = np.random.default_rng(7)
    for x, y, r in zip(random.integers(0, 90, 25), random.integers(0, 60, 25), random.integers(1, 7, 25), strict=True):
        cv2.circle(mask, (int(x), int(y)), int(r), 255, -1)
    kept = np.zeros_like(mask)
    kept[where] = mask[where]
    mask = kept
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)).astype(np.uint8)
    expected = cv2.morphologyEx(mask, operation, disc)
    assert (changed(mask, disc) == expected).all()
    assert (expected.any() and (expected != mask).any()) == mask.any()
