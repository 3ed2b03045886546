"""Balls of nearly the cloth's colour whose outline can be seen all the same."""

from collections.abc import Iterator, Sequence

from calibration.table import Vector
from vision.background import Background
from vision.ball_fit import BallFit
from vision.ball_sized import BallSized, disc, near
from vision.outlines.outline import BallView
from vision.pieces import Mask, closed, opened
from vision.reduced import Planes
from vision.table_view import Expected

# A ball of nearly the cloth's colour: area in multiples of its disc, longest side of its box to the shortest, share of
# the outline that must be seen.
FAINT_AREA, FAINT_LENGTH, FAINT_SUPPORT = (0.5, 2.0), 1.7, 0.7
# One of the cloth's own hue, that shows by its light: more of its outline, and how surely (a fraction of the radius). A
# shadow has no such border all round, and a piece of a sleeve none so sharp.
LIGHT_SUPPORT, LIGHT_SD = 0.85, 0.12


class FaintOutlines:
    """Finds balls that hardly differ from the empty table, by their outlines."""

    def __init__(self, background: Background, sized: BallSized) -> None:
        self._background, self._sized = background, sized

    def mask(self, evened: Planes) -> Mask:
        """255 where the table does not look quite as it mostly does, in a reduced frame in the light that was learnt;
        the highlight of a dark ball makes no hole."""
        return opened(closed(self._background.faint(evened), disc(1)), self._sized.opening)

    def views(
        self, fit: BallFit, mask: Mask, views: Sequence[BallView], expected: Sequence[Expected]
    ) -> Iterator[BallView]:
        """Balls in such a mask; ``views`` are those seen before, and grows with each one that is taken."""
        radius_m = self._sized.table.ball_radius_m
        for guess, smear in self._places(mask, views):
            view = fit.in_blob(guess, smear, expected, newcomer=True)
            if view is None or view.support < FAINT_SUPPORT:
                view = fit.in_blob(guess, smear, expected, newcomer=True, by_light=True)
                if view is None or view.support < LIGHT_SUPPORT or view.sd_m > LIGHT_SD * radius_m:
                    continue
            if near(views, view.at_m, radius_m):
                continue
            if self._sized.stands_free(mask, view):
                yield view

    def _places(self, mask: Mask, views: Sequence[BallView]) -> list[tuple[Vector, float]]:
        """Places (2,) and smears of single things of a ball's size and shape that hardly differ from the cloth."""
        found = []
        for part in self._sized.parts(mask):
            short, long = sorted((part.piece.wide, part.piece.high))
            if (
                FAINT_AREA[0] < part.discs < FAINT_AREA[1]
                and long < FAINT_LENGTH * short
                and self._sized.on_table(part.at_m)
                and not near(views, part.at_m, 1.5 * self._sized.table.ball_radius_m)
            ):
                found.append((part.at_m, part.smear_m))
        return found
