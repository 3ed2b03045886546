"""Pieces of a mask: against the labelling of a general-purpose library on masks made by chance."""

import numpy as np
import pytest
from scipy import ndimage

from vision.pieces import Mask, Piece, pieces


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
