"""Balls that lay in one place in half of the stills or more, told from what they touch in the picture.

From the side the shadow under a nose, a jaw's edge or another ball is seen right beside a ball, and far from the camera
a ball is a few reduced pixels across: it then makes one piece with them. It stands out more than they do, though, so
the picture is cut at several heights; what is a ball's size at one of them is looked at in the stills themselves.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.film.clip import Frame
from vision.outlines.outline import fit_outline
from vision.pieces import Mask

# Heights at which the picture is cut, in multiples of what still is the cloth: a nose's shadow reaches about three,
# balls of most colours from eight to twenty.
CUTS = (1.5, 2.5, 4.0, 6.0, 10.0)
# What is a ball's size: so much of its disc is covered, and no side of its box is longer than this, in its radii; two
# reduced pixels more are the blur of a small one.
DISC_SHARE, LONGEST_RADII, BLUR_PX = (0.45, 1.8), 2.8, 2.0
# Some of the stills, so much of the outline seen in half of them, within so many radii of one place: what a median of
# all of them shows was there in about as many.
LOOKS, SEEN_SUPPORT, SAME_PLACE_RADII = 7, 0.8, 0.3


class Lain(NamedTuple):
    """A ball that lay there: its middle (x, y) and radius, in reduced pixels."""

    middle: Vector
    radius: float


def lain_throughout(
    standing_out: NDArray[np.float32],
    region: Mask,
    radii_px: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    seen_at: Callable[[Vector], Vector | None],
) -> Iterator[Lain]:
    """Balls in a picture (h, w) of how much each pixel differs from the cloth, in multiples of what still is cloth.

    ``radii_px`` tells how large a ball looks at places (n, 2) of that picture, ``seen_at`` where in it the stills show
    one by itself (2,), None where they do not. Each ball is given once.
    """
    given: list[Lain] = []
    for cut in CUTS:
        mask = np.where(standing_out > cut, region, 0).astype(np.uint8)
        # Over four neighbours: what touches in a corner is two things.
        count, _, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=4)
        radii = radii_px(middles)
        for k in range(1, count):
            width, height, area = (int(v) for v in stats[k, 2:])
            disc, radius = np.pi * radii[k] ** 2, float(radii[k])
            if not DISC_SHARE[0] * disc < area < DISC_SHARE[1] * disc + BLUR_PX**2:
                continue
            if max(width, height) > LONGEST_RADII * radius + BLUR_PX:
                continue
            if any(np.hypot(*(middles[k] - other.middle)) < radius for other in given):
                continue
            middle = seen_at(middles[k])
            if middle is not None and all(np.hypot(*(middle - other.middle)) > radius for other in given):
                given.append(Lain(middle, radius))
                yield given[-1]


def seen_in(stills: Sequence[Frame], plane: BallPlane, at_m: Vector) -> Vector | None:
    """Where half of the stills or more show a ball near a place, (2,) metres; None when they do not."""
    looked_at = stills[:: max(len(stills) // LOOKS, 1)]
    seen: list[Vector] = []
    for count, still in enumerate(looked_at, start=1):
        view = fit_outline(still, plane, at_m)
        if view is not None and view.support >= SEEN_SUPPORT:
            seen.append(view.at_m)
        # Those that are left cannot make up for it.
        if 2 * (count - len(seen)) > len(looked_at):
            return None
    places = np.array(seen)
    middle = np.asarray(np.median(places, axis=0))
    together = np.hypot(*(places - middle).T) < SAME_PLACE_RADII * plane.radius_m
    return middle if 2 * int(together.sum()) >= len(looked_at) else None
