"""Balls that differ from the cloth by a bright pattern alone, such as a stripe's white."""

from collections.abc import Iterator, Sequence
from math import hypot

import numpy as np

from vision.ball_fit import BallFit
from vision.ball_sized import BallSized, near
from vision.outlines.outline import BallView
from vision.pieces import Mask, Piece, closed

# Area of the pattern with what lies between its parts in multiples of the disc, its longest side in radii, share of the
# outline that must be seen, how surely (a fraction of the radius), and how far out the pattern may seem to lie, in
# radii.
PATTERN_AREA, PATTERN_LENGTH, PATTERN_SUPPORT, PATTERN_SD, PATTERN_REACH = (0.3, 1.3), 2.3, 0.4, 0.25, 1.1


def patterned_views(fit: BallFit, sized: BallSized, bright: Mask, views: Sequence[BallView]) -> Iterator[BallView]:
    """Balls that show by a bright pattern; ``views`` are those seen before, and grows with each one that is taken.

    ``bright`` (h, w) is 255 where the reduced frame is brighter than the empty table. The borders of a pattern show
    more than the ball's outline: two ways to the outline, by the edges nearest to where it is looked for and by the
    votes of all rays, must come to the same place.
    """
    radius_m = sized.table.ball_radius_m
    for part in sized.parts(closed(bright, sized.joining)):
        length = max(part.piece.wide, part.piece.high) * sized.reduction.factor
        if not PATTERN_AREA[0] < part.discs < PATTERN_AREA[1] or not sized.on_table(part.at_m):
            continue
        if length > PATTERN_LENGTH * sized.plane.radius_px(part.at_m) or near(views, part.at_m, radius_m):
            continue
        view = fit.near(part.at_m)
        if view is None or view.support < PATTERN_SUPPORT or view.sd_m > PATTERN_SD * radius_m:
            continue
        voted = fit.near(part.at_m, patterned=True)
        if voted is None or hypot(*(voted.at_m - view.at_m)) > PATTERN_SD * radius_m:
            continue
        if (
            not near(views, view.at_m, radius_m)
            and _holds(view, part.piece, sized, bright.shape)
            and sized.stands_free(bright, view)
        ):
            yield view


def _holds(view: BallView, piece: Piece, sized: BallSized, shape: tuple[int, ...]) -> bool:
    """Whether a piece of a mask of a shape (h, w) lies within a ball's outline."""
    mask = np.zeros(shape, np.uint8)
    piece.draw(mask)
    reach = PATTERN_REACH * sized.plane.radius_px(view.at_m) / sized.reduction.factor + 0.5
    away = np.argwhere(mask)[:, ::-1] - sized.reduction.reduced_px(view.at_px)
    return bool(np.hypot(*away.T).max() <= reach)
