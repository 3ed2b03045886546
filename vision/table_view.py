"""What is seen of the table in one frame: balls, and where something else than the cloth is seen."""

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.outlines.outline import BallView
from vision.pieces import Mask
from vision.reduced import Reduction

# Fraction of a ring round a ball on which nothing but the table is seen round one that stands free.
FREE_RING = 0.6
# The ring, in ball radii, on which a hand that takes up a ball is looked for.
CROWD_RING_RADII = 1.8
RING_POINTS = 32
_CIRCLE = np.array([np.cos(_TURN := np.linspace(0, 2 * np.pi, RING_POINTS, endpoint=False)), np.sin(_TURN)])


@dataclass(frozen=True)
class Expected:
    """A ball that is known from earlier frames: where it should be now, its colour (3,) Y, U, V, whether it lay still;
    and how it looked, when it lay still for a while and was seen."""

    at_m: Vector
    colour: Vector
    resting: BallView | None
    at_rest: bool = False


@dataclass(frozen=True)
class TableView:
    """One frame, looked at. ``balls`` are views; ``reused`` marks those taken over from the frame before; ``same`` says
    that nothing at all is seen to differ from the frame last looked at."""

    time_s: float
    balls: tuple[BallView, ...]
    reused: tuple[bool, ...]
    everywhere: Mask
    large: Mask
    reduction: Reduction
    same: bool = False

    def covered(self, at_px: Vector) -> bool:
        """Whether something else than the cloth is seen at a pixel of the frame."""
        return self._value(self.everywhere, at_px)

    def under_large(self, at_px: Vector) -> bool:
        """Whether a thing larger than a ball is seen at a pixel of the frame."""
        return self._value(self.large, at_px)

    def crowded(self, at_px: Vector, radius_px: float) -> bool:
        """Whether a good part of the ring round a ball, seen at a pixel of the frame, is taken by something."""
        round_it = ring(at_px, radius_px, self.reduction, self.everywhere.shape, CROWD_RING_RADII)
        return bool((self.everywhere[round_it[1], round_it[0]] > 0).mean() > 1 - FREE_RING) if round_it.size else False

    def _value(self, mask: Mask, at_px: Vector) -> bool:
        x, y = self.reduction.nearest_px(at_px)
        height, width = mask.shape
        if not (0 <= x < width and 0 <= y < height):
            return False
        return bool(mask[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2].max())


def colour_distance(first: Vector, second: Vector) -> float:
    """Distance of two mean colours (3,) Y, U, V; brightness, which light changes, counts half."""
    y, u, v = (first - second).tolist()
    return hypot(y / 2, u, v)


def ring(
    at_px: Vector, radius_px: float, reduction: Reduction, shape: tuple[int, ...], radii: float
) -> NDArray[np.int_]:
    """Reduced pixels (2, n), x and y, on a circle round a ball seen at a pixel of the frame; none outside."""
    if not np.isfinite(at_px).all():
        return np.empty((2, 0), int)
    reach = radii * radius_px / reduction.factor + 1
    found = np.rint(reduction.reduced_px(at_px)[:, None] + reach * _CIRCLE).astype(int)
    height, width = shape
    return found[:, (found[0] >= 0) & (found[0] < width) & (found[1] >= 0) & (found[1] < height)]
