"""What lies on the table in one frame: balls, and things that cover it (a hand, a stick, an arm).

The foreground of the reduced picture is opened with a disc a little smaller than a ball, so that a stick, which is
thinner, falls off. What is left and has a ball's size is looked at in the full picture; a larger thing covers the
table, and a ball is looked for in it only where one is expected.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import cv2
import numpy as np

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.table import Table, Vector
from vision.background import CHANGED, Background
from vision.ball_fit import BallFit
from vision.ball_sized import BallSized, near
from vision.faint.by_light import BallsByLight
from vision.faint.faint_outlines import FAINT_AREA, FaintOutlines
from vision.faint.patterned import patterned_views
from vision.faint.search import FaintSearch
from vision.film.clip import Frame
from vision.light import LightMeter
from vision.outlines.outline import BallView
from vision.pieces import Mask, opened
from vision.reduced import Picture, Planes
from vision.table_view import Expected, TableView, colour_distance

# A blob is a ball's when its area is within these multiples of the ball's disc (smears and partial cover included).
LEAST_AREA, MOST_AREA = 0.45, 2.6
# Fraction of the outline that must be seen where it should be: for a ball by itself, and for one in a larger thing.
ENOUGH_SUPPORT, ENOUGH_SUPPORT_IN_CROWD = 0.6, 0.35
# A ball of nearly the cloth's colour, or one that shows by a bright pattern alone, that nobody knows of yet will be
# there for a while: they are looked for once in so many looks, faint ones with no known ball missing.
FAINT_EVERY, PATTERN_EVERY = 3, 6
# Two balls expected this close to the middle of one blob share it.
TOUCHING_RADII = 1.6
# How far the mean colour may be from the expected ball's (grey levels, Y counted half).
COLOUR_GATE = 40.0
# Where the colour in the place of a ball is this far from its own it is not there, nor so near that it would be found
# (of such balls found in known films the farthest was 46 off).
OTHER_COLOUR = 52.0
# A place whose reduced pixels changed by less than this on average since the last look has not changed.
UNCHANGED = 2.5
# The same of a ball of nearly the cloth's colour, which changes little when it leaves; in luma alone.
UNCHANGED_FAINT = 1.0


class BallFinder:
    """Finds the balls of a clip's frames, one after another; keeps the last reduced picture to skip what rests."""

    def __init__(self, background: Background, camera: Camera, table: Table) -> None:
        self.background = background
        self.plane = BallPlane(camera, table.ball_radius_m)
        self.table = table
        self._before: Planes | None = None
        self._view: TableView | None = None
        self._ahead: tuple[Frame, Planes] | None = None
        self._luma: tuple[int, Picture] | None = None
        self._well_lit: Frame | None = None
        self._since_faint, self._since_patterned = FAINT_EVERY, PATTERN_EVERY
        self._reduction = background.reduction
        self._meter = LightMeter(background.cloth, background.region)
        sized = self._sized = BallSized(self.plane, table, background.reduction, min(LEAST_AREA, FAINT_AREA[0]))
        self._search = FaintSearch(background, self.plane)
        self._faint = FaintOutlines(background, sized)
        self._by_light = BallsByLight(background, sized, self._search)

    def luma(self, frame: Frame) -> Picture:
        """The reduced luma of a frame, (h, w); asked once more for the frame last asked for it is at hand."""
        if self._luma is None or self._luma[0] != frame.pts:
            self._luma = frame.pts, self._reduction.luma(self._in_good_light(frame))
        return self._luma[1]

    def _in_good_light(self, frame: Frame) -> Frame:
        """A frame as it is looked at: one of a dark film is made lighter, once for all that is asked of it."""
        light = self.background.light
        if light.share == 1.0:
            return frame
        if self._well_lit is None or self._well_lit.pts != frame.pts:
            self._well_lit = light.evened_frame(frame)
        return self._well_lit

    def find(self, frame: Frame, expected: Sequence[Expected]) -> TableView:
        """Look at a frame, given the balls known so far."""
        background, radius_m = self.background, self.table.ball_radius_m
        frame = self._in_good_light(frame)
        ahead, self._ahead = self._ahead, None
        reduced = ahead[1] if ahead is not None and ahead[0] is frame else None
        luma = self.luma(frame) if reduced is None else reduced[0]
        if self._as_before(luma, expected) and not self._faint_come(frame, luma):
            assert self._view is not None
            return replace(self._view, time_s=frame.time_s, reused=(True,) * len(self._view.balls), same=True)
        reduced = self._reduction.planes(frame, luma) if reduced is None else reduced
        fit = BallFit(frame, self.plane, self._meter.of(luma))
        evened = fit.light.evened(reduced)
        everywhere = background.foreground(evened)
        foreground = everywhere & background.region
        thick = opened(foreground, self._sized.opening)
        large = np.zeros_like(thick)
        views: list[BallView] = []
        reused: list[bool] = []
        todo: list[tuple[Vector, float]] = []
        for part in self._sized.parts(thick):
            if part.discs > MOST_AREA:
                part.piece.draw(large)
            elif part.discs >= LEAST_AREA and self._sized.on_table(part.at_m):
                todo.append((part.at_m, part.smear_m))
        unseen = list(expected)
        for ball in expected:
            if ball.resting is not None and self._unchanged(reduced, ball.resting):
                views.append(ball.resting)
                reused.append(True)
                unseen = [b for b in unseen if b is not ball]
        for guess, smear in todo:
            # Two balls that touch make one blob: each is then looked for where it is expected.
            shared = sum(hypot(*(ball.at_m - guess)) < TOUCHING_RADII * radius_m for ball in expected) > 1
            if shared or near(views, guess, radius_m):
                continue
            view = fit.in_blob(guess, smear, expected, newcomer=not unseen)
            if view is None or view.support < ENOUGH_SUPPORT or near(views, view.at_m, radius_m):
                continue
            if self._sized.stands_free(everywhere, view) or any(
                hypot(*(ball.at_m - view.at_m)) < radius_m for ball in expected
            ):
                views.append(view)
                reused.append(False)
        self._since_patterned += 1
        if self._since_patterned >= PATTERN_EVERY:
            self._since_patterned = 0
            for view in patterned_views(fit, self._sized, background.brighter(evened), views):
                views.append(view)
                reused.append(False)
        unseen = [ball for ball in unseen if not near(views, ball.at_m, radius_m)]
        self._since_faint += 1
        due = self._since_faint >= FAINT_EVERY
        if unseen or due:
            self._since_faint = 0
            faint = self._faint.mask(evened)
            for view in self._faint.views(fit, faint, views, expected):
                views.append(view)
                reused.append(False)
            for ball in unseen:
                known = self._in_crowd(fit, ball, foreground | faint, views)
                if known is not None:
                    views.append(known)
                    reused.append(False)
        explained = [
            view if r else self._by_light.explained(fit, view, expected) for view, r in zip(views, reused, strict=True)
        ]
        reused = [r for r, view in zip(reused, explained, strict=True) if view is not None]
        views = [view for view in explained if view is not None]
        for view in self._by_light.views(fit, evened, large, views, unseen, due=due):
            views.append(view)
            reused.append(False)
        same = self._before is not None and not background.changed(luma, self._before[0])
        self._before = reduced
        self._view = TableView(frame.time_s, tuple(views), tuple(reused), everywhere, large, self._reduction, same)
        return self._view

    def stirred(self, frame: Frame, expected: Sequence[Expected]) -> bool:
        """Whether a ball that lay still in the frame last looked at does not, or not in the same light, any more."""
        frame = self._in_good_light(frame)
        reduced = self._reduction.planes(frame, self.luma(frame))
        self._ahead = (frame, reduced)
        return any(b.resting is not None and not self._unchanged(reduced, b.resting) for b in expected)

    def _as_before(self, luma: Picture, expected: Sequence[Expected]) -> bool:
        """Whether the frame shows what the last one did: every known ball at rest and seen, and nothing new."""
        if self._before is None or self._view is None or any(ball.resting is None for ball in expected):
            return False
        seen = {id(view) for view in self._view.balls}
        known = {id(ball.resting) for ball in expected}
        return seen == known and not self.background.changed(luma, self._before[0])

    def _faint_come(self, frame: Frame, luma: Picture) -> bool:
        """Whether a ball that hardly differs from the cloth, and came unnoticed, is found in a frame that shows what
        the last one did."""
        if not self._by_light.worth_a_look_again():
            return False
        assert self._view is not None
        light = self._meter.of(luma)
        return self._by_light.come(frame, light.evened(self._reduction.planes(frame, luma)), light, self._view)

    def _in_crowd(self, fit: BallFit, ball: Expected, foreground: Mask, views: Sequence[BallView]) -> BallView | None:
        """A known ball that is partly covered, or touches something, looked for where it should be."""
        radius_m = self.table.ball_radius_m
        if near(views, ball.at_m, radius_m) or not self._sized.on_table(ball.at_m):
            return None
        x, y = self._reduction.nearest_px(self.plane.pixel(ball.at_m))
        height, width = foreground.shape
        if not (0 <= x < width and 0 <= y < height) or not foreground[y, x]:
            return None
        if colour_distance(fit.colour_at(ball.at_m), ball.colour) > OTHER_COLOUR:
            return None
        view = fit.near(ball.at_m)
        if view is None or view.support < ENOUGH_SUPPORT_IN_CROWD or near(views, view.at_m, radius_m):
            return None
        return view if colour_distance(view.colour, ball.colour) < COLOUR_GATE else None

    def _unchanged(self, reduced: Planes, ball: BallView) -> bool:
        """Whether the reduced picture round a resting ball is as it was in the frame before."""
        if self._before is None:
            return False
        x, y = self._reduction.nearest_px(ball.at_px)
        if self._search.like_cloth(ball.colour, ball.at_px):
            size = round(self.plane.radius_px(ball.at_m) / self._reduction.factor)
            disc = slice(max(y - size, 0), y + size + 1), slice(max(x - size, 0), x + size + 1)
            now, then = reduced[0][disc], self._before[0][disc]
            if (
                cv2.norm(now, then, cv2.NORM_L1) > UNCHANGED_FAINT * now.size
                or cv2.norm(now, then, cv2.NORM_INF) >= CHANGED
            ):
                return False
        reach = len(self._sized.opening)
        window = slice(max(y - reach, 0), y + reach + 1), slice(max(x - reach, 0), x + reach + 1)
        differences = (cv2.norm(a[window], b[window], cv2.NORM_L1) for a, b in zip(reduced, self._before, strict=True))
        return sum(differences) < UNCHANGED * reduced[0][window].size
