"""Balls of nearly the cloth's colour, seen in a frame by the light on them: known ones, and others that have come.

Where to look and what is taken for a ball is told by ``vision.faint.search``; here that is put beside what else is seen
in the frame.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import hypot

import cv2
import numpy as np

from calibration.table import Vector
from vision.background import Background
from vision.ball_fit import STAYED_RADII, BallFit
from vision.ball_sized import BallSized, near
from vision.faint.lit_fit import LitFit
from vision.faint.search import FaintSearch
from vision.film.clip import Frame
from vision.light import Light
from vision.outlines.outline import BallView
from vision.pieces import Mask, closed
from vision.reduced import Planes
from vision.table_view import Expected, TableView

# An outline that hardly shows, and that no light explains, may lie so far off, in radii; less of one than this share of
# it is taken for a shadow.
UNEXPLAINED_SD, UNEXPLAINED_SUPPORT = 0.2, 0.8
# No ball hides under what is this much larger than a large thing's outline, in radii: hands have shadows.
BESIDE_LARGE_RADII = 2.0


class BallsByLight:
    """Places the balls of a clip's frames by the light on them, one frame after another."""

    def __init__(self, background: Background, sized: BallSized, search: FaintSearch) -> None:
        self._background, self._sized, self._search = background, sized, search
        reach = 2 * round(sized.usual_px * BESIDE_LARGE_RADII) + 1
        # A square: that is done in a fraction of a disc's time.
        self._beside_large = np.ones((reach, reach), np.uint8)
        # Looks in a row at what had been seen before; balls found by the light on them in such a look.
        self._alike = 0
        self._come: list[LitFit] = []

    def worth_a_look_again(self) -> bool:
        """Whether one more frame that shows what the last one did is to be looked at for a ball that came unnoticed:
        the first of them is, the others while something is pending."""
        self._alike += 1
        return self._alike <= 1 or self._search.pending

    def come(self, frame: Frame, evened: Planes, light: Light, before: TableView) -> bool:
        """Whether a ball that hardly differs from the cloth, and came unnoticed, is found in such a frame.

        ``evened`` is that frame reduced, in the light that was learnt, ``light`` the frame's own, ``before`` what was
        seen last.
        """
        taken_m = [view.at_m for view in before.balls]
        self._come = self._newcomers(frame, evened, before.large, taken_m, light.share, missed=False)
        return bool(self._come)

    def explained(self, fit: BallFit, view: BallView, expected: Sequence[Expected]) -> BallView | None:
        """A ball that was seen by its outline, placed by the light on it when it is nearly of the cloth's colour: what
        seems its outline may be its shadow's, and what seems a ball a shadow."""
        if not self._search.like_cloth(view.colour, view.at_px):
            return view
        radius_m = self._sized.table.ball_radius_m
        known = [ball for ball in expected if hypot(*(ball.at_m - view.at_m)) < STAYED_RADII * radius_m]
        at_rest = any(ball.at_rest for ball in known)
        lit = None
        if self._search.worth_a_look(view.at_m, at_rest=at_rest):
            lit = self._search.known(fit.frame.y, fit.light.share, view.at_m, anew=True, at_rest=at_rest)
        elif not self._search.certain:
            return view
        if lit is not None and hypot(*(lit.at_m - view.at_m)) < 2 * radius_m:
            return self._view(fit, lit)
        if not known and view.support < UNEXPLAINED_SUPPORT:
            return None
        unexplained_m = UNEXPLAINED_SD * radius_m
        return replace(view, sd_m=hypot(view.sd_m, unexplained_m), edges_sd_m=hypot(view.edges_sd_m, unexplained_m))

    def views(
        self,
        fit: BallFit,
        evened: Planes,
        large: Mask,
        views: Sequence[BallView],
        unseen: Sequence[Expected],
        *,
        due: bool,
    ) -> Iterator[BallView]:
        """Balls that are told by the light on them alone: known ones that are ``unseen``, and others when a look for
        them is ``due``, or where one was missed.

        ``evened`` is the frame reduced, in the light that was learnt, ``large`` (h, w) 255 where something larger than
        a ball is seen; ``views`` are those seen before, and grows with each one that is taken.
        """
        self._alike = 0
        radius_m = self._sized.table.ball_radius_m
        missed = False
        for ball in sorted(unseen, key=lambda ball: not ball.at_rest):
            at_px = self._sized.plane.pixel(ball.at_m)
            if near(views, ball.at_m, radius_m) or not self._search.like_cloth(ball.colour, at_px):
                continue
            x, y = self._sized.reduction.nearest_px(at_px)
            if large[y, x] or not self._sized.on_table(ball.at_m):
                continue
            if not self._search.worth_a_look(ball.at_m, at_rest=ball.at_rest):
                continue
            lit = self._search.known(
                fit.frame.y, fit.light.share, ball.at_m, anew=not ball.at_rest, at_rest=ball.at_rest
            )
            if lit is None or near(views, lit.at_m, radius_m) or not self._sized.on_table(lit.at_m):
                missed = True
                continue
            yield self._view(fit, lit)
        come, self._come = self._come, []
        if not come and (due or missed or self._search.pending):
            taken_m = [view.at_m for view in views]
            come = self._newcomers(fit.frame, evened, large, taken_m, fit.light.share, missed=missed)
        for lit in come:
            if self._sized.on_table(lit.at_m) and not near(views, lit.at_m, radius_m):
                yield self._view(fit, lit)

    def _newcomers(
        self, frame: Frame, evened: Planes, large: Mask, taken_m: Sequence[Vector], gain: float, *, missed: bool
    ) -> list[LitFit]:
        mask = closed(self._background.faint(evened), self._sized.joining)
        if large.any():
            mask = mask & ~cv2.dilate(large, self._beside_large)
        return self._search.newcomers(frame.y, gain, mask, taken_m, self._sized.on_table, at_once=missed)

    def _view(self, fit: BallFit, lit: LitFit) -> BallView:
        # What pulls it in all looks alike is in its standard deviation already.
        return BallView(
            at_m=lit.at_m,
            sd_m=lit.sd_m,
            at_px=lit.at_px,
            colour=fit.colour_at(lit.at_m),
            support=min(lit.told, 1.0),
            edges_sd_m=lit.sd_m,
            pull_px=0.0,
        )
