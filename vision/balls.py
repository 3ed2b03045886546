"""What lies on the table in one frame: balls, and things that cover it (a hand, a stick, an arm).

The foreground of the reduced picture is opened with a disc a little smaller than a ball, so that a stick, which is
thinner, falls off. What is left and has a ball's size is looked at in the full picture; a larger thing covers the
table, and a ball is looked for in it only where one is expected.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import hypot
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.table import POCKETS, Table, Vector
from vision.background import CHANGED, Background, ball_radii_px
from vision.faint.lit_fit import LitFit
from vision.faint.search import FaintSearch
from vision.film.clip import Frame
from vision.light import Light, LightMeter
from vision.outlines.outline import BallView, fit_outline, inside_colour
from vision.pieces import Mask, Piece, pieces
from vision.reduced import Picture, Planes
from vision.table_view import FREE_RING, RING_POINTS, Expected, TableView, colour_distance, ring

# A blob is a ball's when its area is within these multiples of the ball's disc (smears and partial cover included).
LEAST_AREA, MOST_AREA = 0.45, 2.6
# Fraction of the outline that must be seen where it should be: for a ball by itself, and for one in a larger thing.
ENOUGH_SUPPORT, ENOUGH_SUPPORT_IN_CROWD = 0.6, 0.35
# The ring, in ball radii, on which nothing else may be seen round a ball that nobody expects.
FREE_RING_RADII = 1.3
# A ball of nearly the cloth's colour: area in multiples of its disc, longest side of its box to the shortest, share of
# the outline that must be seen.
FAINT_AREA, FAINT_LENGTH, FAINT_SUPPORT = (0.5, 2.0), 1.7, 0.7
# One of the cloth's own hue, that shows by its light: more of its outline, and how surely (a fraction of the radius). A
# shadow has no such border all round, and a piece of a sleeve none so sharp.
LIGHT_SUPPORT, LIGHT_SD = 0.85, 0.12
# A ball that differs from the cloth by a bright pattern alone, a stripe's white: area of the pattern with what lies
# between its parts in multiples of the disc, its longest side in radii, share of the outline that must be seen, how
# surely (a fraction of the radius), and how far out the pattern may seem to lie, in radii.
PATTERN_AREA, PATTERN_LENGTH, PATTERN_SUPPORT, PATTERN_SD, PATTERN_REACH = (0.3, 1.3), 2.3, 0.4, 0.25, 1.1
# One that nobody knows of yet will be there for a while: they are looked for once in so many looks, faint ones
# with no known ball missing.
FAINT_EVERY, PATTERN_EVERY = 3, 6
# A blob this close to where a ball lay is that ball still, in radii: the shadow beside it moves the blob's middle.
STAYED_RADII = 0.7
# Support that a ball which was put somewhere has without a smear.
SHARP_SUPPORT = 0.6
# Two balls expected this close to the middle of one blob share it.
TOUCHING_RADII = 1.6
# How far the mean colour may be from the expected ball's (grey levels, Y counted half).
COLOUR_GATE = 40.0
# A ball's centre may seem this much nearer to a nose than it can be; near a pocket's mouth it may be anywhere.
PLACE_TOLERANCE_M = 0.012
POCKET_REACH_RADII = 4.0
# A place whose reduced pixels changed by less than this on average since the last look has not changed.
UNCHANGED = 2.5
# The same of a ball of nearly the cloth's colour, which changes little when it leaves; in luma alone.
UNCHANGED_FAINT = 1.0
# An outline that hardly shows, and that no light explains, may lie so far off, in radii; less of one than this share of
# it is taken for a shadow.
UNEXPLAINED_SD, UNEXPLAINED_SUPPORT = 0.2, 0.8
# No ball hides under what is this much larger than a large thing's outline, in radii: hands have shadows.
BESIDE_LARGE_RADII = 2.0


class _Part(NamedTuple):
    """A piece of a mask as a ball: where it would lie, how many of a ball's discs it covers, how far it is smeared."""

    piece: Piece
    at_m: Vector
    discs: float
    smear_m: float


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
        # Looks in a row at what had been seen before; balls found by the light on them in such a look.
        self._alike, self._come = 0, list[LitFit]()
        self._since_faint, self._since_patterned = FAINT_EVERY, PATTERN_EVERY
        self._mouths = np.array([table.mouth_m(pocket) for pocket in POCKETS])
        self._reduction = background.reduction
        self._meter = LightMeter(background.cloth, background.region)
        self._light = Light(1.0)
        factor = background.reduction.factor
        # Far less than the smallest ball: what covers less than this need not be sized exactly.
        smallest = ball_radii_px(self.plane, table)[0] / factor
        self._least_area = 0.8 * min(LEAST_AREA, FAINT_AREA[0]) * np.pi * smallest**2
        usual = float(self.plane.radii_px(table.centre_m[None])[0]) / factor
        self._kernel, self._joining = _disc(usual * 0.55), _disc(usual * 0.8)
        self._beside_large = _disc(usual * BESIDE_LARGE_RADII)
        self._search = FaintSearch(background, self.plane)

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
        self._light = self._meter.of(luma)
        evened = self._light.evened(reduced)
        everywhere = background.foreground(evened)
        foreground = everywhere & background.region
        opened = cv2.morphologyEx(foreground, cv2.MORPH_OPEN, self._kernel)
        large = np.zeros_like(opened)
        views: list[BallView] = []
        reused: list[bool] = []
        todo: list[tuple[Vector, float]] = []
        for part in self._parts(opened):
            if part.discs > MOST_AREA:
                part.piece.draw(large)
            elif part.discs >= LEAST_AREA and self._on_table(part.at_m):
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
            if shared or _near(views, guess, radius_m):
                continue
            view = self._fit_in_blob(frame, guess, smear, expected, newcomer=not unseen)
            if view is None or view.support < ENOUGH_SUPPORT or _near(views, view.at_m, radius_m):
                continue
            if self._stands_free(everywhere, view) or any(
                hypot(*(ball.at_m - view.at_m)) < radius_m for ball in expected
            ):
                views.append(view)
                reused.append(False)
        self._since_patterned += 1
        if self._since_patterned >= PATTERN_EVERY:
            self._since_patterned = 0
            for view in self._patterned_views(frame, background.brighter(evened), views):
                views.append(view)
                reused.append(False)
        unseen = [ball for ball in unseen if not _near(views, ball.at_m, radius_m)]
        self._since_faint += 1
        due = self._since_faint >= FAINT_EVERY
        if unseen or due:
            self._since_faint = 0
            faint = self._faint_mask(evened)
            for view in self._faint_views(frame, faint, views, expected):
                views.append(view)
                reused.append(False)
            for ball in unseen:
                known = self._in_crowd(frame, ball, foreground | faint, views)
                if known is not None:
                    views.append(known)
                    reused.append(False)
        explained = [
            view if r else self._explained(frame, view, expected) for view, r in zip(views, reused, strict=True)
        ]
        reused = [r for r, view in zip(reused, explained, strict=True) if view is not None]
        views = [view for view in explained if view is not None]
        for view in self._lit_views(frame, evened, large, views, unseen, due=due):
            views.append(view)
            reused.append(False)
        same = self._before is not None and not background.changed(luma, self._before[0])
        self._alike = 0
        self._before = reduced
        self._view = TableView(frame.time_s, tuple(views), tuple(reused), everywhere, large, self._reduction, same)
        return self._view

    def _fit(
        self, frame: Frame, guess_m: Vector, smear_m: float = 0.0, *, patterned: bool = False, by_light: bool = False
    ) -> BallView | None:
        """The ball near a place, in the colour that it has in the light that was learnt."""
        view = fit_outline(frame, self.plane, guess_m, smear_m, patterned=patterned, by_light=by_light)
        return view if view is None else replace(view, colour=self._light.colour(view.colour))

    def stirred(self, frame: Frame, expected: Sequence[Expected]) -> bool:
        """Whether a ball that lay still in the frame last looked at does not, or not in the same light, any more."""
        frame = self._in_good_light(frame)
        reduced = self._reduction.planes(frame, self.luma(frame))
        self._ahead = (frame, reduced)
        return any(b.resting is not None and not self._unchanged(reduced, b.resting) for b in expected)

    def _parts(self, mask: Mask) -> Iterator[_Part]:
        """The connected parts of a mask that are not far smaller than a ball."""
        factor, radius_m = self._reduction.factor, self.table.ball_radius_m
        found = pieces(mask, self._least_area)
        if not found:
            return
        at_m = self.plane.places_m(self._reduction.frame_px(np.array([piece.middle for piece in found])))
        radius = self.plane.radii_px(at_m)
        for piece, place, size in zip(found, at_m, radius.tolist(), strict=True):
            # A box is as long as the ball and its smear, give or take a reduced pixel.
            smear = max(max(piece.wide, piece.high) * factor / size - (2 + factor / size), 0.0) * radius_m
            yield _Part(piece, place, piece.area / (np.pi * (size / factor) ** 2), smear)

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
        assert self._view is not None
        self._alike += 1
        if self._alike > 1 and not self._search.pending:
            return False
        light = self._meter.of(luma)
        evened = light.evened(self._reduction.planes(frame, luma))
        taken_m = [view.at_m for view in self._view.balls]
        self._come = self._newcomers(frame, evened, self._view.large, taken_m, light.share, missed=False)
        return bool(self._come)

    def _newcomers(
        self, frame: Frame, evened: Planes, large: Mask, taken_m: Sequence[Vector], gain: float, *, missed: bool
    ) -> list[LitFit]:
        covered = cv2.dilate(large, self._beside_large)
        mask = cv2.morphologyEx(self.background.faint(evened), cv2.MORPH_CLOSE, self._joining) & ~covered
        return self._search.newcomers(frame.y, gain, mask, taken_m, self._on_table, at_once=missed)

    def _faint_mask(self, reduced: Planes) -> Mask:
        """255 where the table does not look quite as it mostly does; the highlight of a dark ball makes no hole."""
        closed = cv2.morphologyEx(self.background.faint(reduced), cv2.MORPH_CLOSE, _disc(1))
        return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, self._kernel), np.uint8)

    def _faint(self, mask: Mask, views: Sequence[BallView]) -> list[tuple[Vector, float]]:
        """Places (2,) and smears of single things of a ball's size and shape that hardly differ from the cloth."""
        found = []
        for part in self._parts(mask):
            short, long = sorted((part.piece.wide, part.piece.high))
            if (
                FAINT_AREA[0] < part.discs < FAINT_AREA[1]
                and long < FAINT_LENGTH * short
                and self._on_table(part.at_m)
                and not _near(views, part.at_m, 1.5 * self.table.ball_radius_m)
            ):
                found.append((part.at_m, part.smear_m))
        return found

    def _faint_views(
        self, frame: Frame, mask: Mask, views: Sequence[BallView], expected: Sequence[Expected]
    ) -> Iterator[BallView]:
        """Balls that hardly differ from the cloth; ``views`` grows with each one that is taken."""
        radius_m = self.table.ball_radius_m
        for guess, smear in self._faint(mask, views):
            view = self._fit_in_blob(frame, guess, smear, expected, newcomer=True)
            if view is None or view.support < FAINT_SUPPORT:
                view = self._fit_in_blob(frame, guess, smear, expected, newcomer=True, by_light=True)
                if view is None or view.support < LIGHT_SUPPORT or view.sd_m > LIGHT_SD * radius_m:
                    continue
            if _near(views, view.at_m, radius_m):
                continue
            if self._stands_free(mask, view):
                yield view

    def _patterned_views(self, frame: Frame, bright: Mask, views: Sequence[BallView]) -> Iterator[BallView]:
        """Balls that differ from the cloth by a bright pattern; ``views`` grows with each one that is taken.

        Their borders show more than their outlines: two ways to the outline, by the edges nearest to where it is looked
        for and by the votes of all rays, must come to the same place.
        """
        radius_m = self.table.ball_radius_m
        for part in self._parts(cv2.morphologyEx(bright, cv2.MORPH_CLOSE, self._joining)):
            length = max(part.piece.wide, part.piece.high) * self._reduction.factor
            if not PATTERN_AREA[0] < part.discs < PATTERN_AREA[1] or not self._on_table(part.at_m):
                continue
            if length > PATTERN_LENGTH * self.plane.radii_px(part.at_m[None])[0] or _near(views, part.at_m, radius_m):
                continue
            view = self._fit(frame, part.at_m)
            if view is None or view.support < PATTERN_SUPPORT or view.sd_m > PATTERN_SD * radius_m:
                continue
            voted = self._fit(frame, part.at_m, patterned=True)
            if voted is None or hypot(*(voted.at_m - view.at_m)) > PATTERN_SD * radius_m:
                continue
            if (
                not _near(views, view.at_m, radius_m)
                and self._holds(view, part.piece)
                and self._stands_free(bright, view)
            ):
                yield view

    def _holds(self, view: BallView, piece: Piece) -> bool:
        """Whether a piece lies within a ball's outline."""
        mask = np.zeros(self.background.region.shape, np.uint8)
        piece.draw(mask)
        reach = PATTERN_REACH * float(self.plane.radii_px(view.at_m[None])[0]) / self._reduction.factor + 0.5
        away = np.argwhere(mask)[:, ::-1] - self._reduction.reduced_px(view.at_px)
        return bool(np.hypot(*away.T).max() <= reach)

    def _fit_in_blob(
        self,
        frame: Frame,
        guess: Vector,
        smear_m: float,
        expected: Sequence[Expected],
        *,
        newcomer: bool,
        by_light: bool = False,
    ) -> BallView | None:
        """A ball's outline in a blob that may be smeared. A shadow makes a blob long too: a ball that lies where it lay
        is not smeared, and one that nobody misses mostly was put there."""
        radius_m = self.table.ball_radius_m
        if any(ball.at_rest and hypot(*(ball.at_m - guess)) < STAYED_RADII * radius_m for ball in expected):
            smear_m = 0.0
        if smear_m > 0 and newcomer:
            sharp = self._fit(frame, guess, by_light=by_light)
            if sharp is not None and sharp.support >= SHARP_SUPPORT:
                return sharp
        return self._fit(frame, guess, smear_m, by_light=by_light)

    def _explained(self, frame: Frame, view: BallView, expected: Sequence[Expected]) -> BallView | None:
        """A ball that was seen by its outline, placed by the light on it when it is nearly of the cloth's colour: what
        seems its outline may be its shadow's, and what seems a ball a shadow."""
        if not self._search.like_cloth(view.colour, view.at_px):
            return view
        radius_m = self.table.ball_radius_m
        near = [ball for ball in expected if hypot(*(ball.at_m - view.at_m)) < STAYED_RADII * radius_m]
        at_rest = any(ball.at_rest for ball in near)
        fit = None
        if self._search.worth_a_look(view.at_m, at_rest=at_rest):
            fit = self._search.known(frame.y, self._light.share, view.at_m, anew=True, at_rest=at_rest)
        elif not self._search.certain:
            return view
        if fit is not None and hypot(*(fit.at_m - view.at_m)) < 2 * radius_m:
            return self._lit_view(frame, fit)
        if not near and view.support < UNEXPLAINED_SUPPORT:
            return None
        return replace(view, sd_m=hypot(view.sd_m, UNEXPLAINED_SD * radius_m))

    def _lit_views(
        self,
        frame: Frame,
        evened: Planes,
        large: Mask,
        views: Sequence[BallView],
        unseen: Sequence[Expected],
        *,
        due: bool,
    ) -> Iterator[BallView]:
        """Balls that are told by the light on them alone: known ones, and now and then others; ``views`` grows with
        each one that is taken."""
        radius_m, gain = self.table.ball_radius_m, self._light.share
        missed = False
        for ball in sorted(unseen, key=lambda ball: not ball.at_rest):
            at_px = self.plane.pixel(ball.at_m)
            if _near(views, ball.at_m, radius_m) or not self._search.like_cloth(ball.colour, at_px):
                continue
            x, y = self._reduction.nearest_px(at_px)
            if large[y, x] or not self._on_table(ball.at_m):
                continue
            if not self._search.worth_a_look(ball.at_m, at_rest=ball.at_rest):
                continue
            fit = self._search.known(frame.y, gain, ball.at_m, anew=not ball.at_rest, at_rest=ball.at_rest)
            if fit is None or _near(views, fit.at_m, radius_m) or not self._on_table(fit.at_m):
                missed = True
                continue
            yield self._lit_view(frame, fit)
        come, self._come = self._come, []
        if not come and (due or missed or self._search.pending):
            taken_m = [view.at_m for view in views]
            come = self._newcomers(frame, evened, large, taken_m, gain, missed=missed)
        for fit in come:
            if self._on_table(fit.at_m) and not _near(views, fit.at_m, radius_m):
                yield self._lit_view(frame, fit)

    def _lit_view(self, frame: Frame, fit: LitFit) -> BallView:
        radius_px = float(self.plane.radii_px(fit.at_m[None])[0])
        colour = self._light.colour(inside_colour(frame, fit.at_px, radius_px))
        return BallView(fit.at_m, fit.sd_m, fit.at_px, colour, min(fit.told, 1.0))

    def _in_crowd(self, frame: Frame, ball: Expected, foreground: Mask, views: Sequence[BallView]) -> BallView | None:
        """A known ball that is partly covered, or touches something, looked for where it should be."""
        radius_m = self.table.ball_radius_m
        if _near(views, ball.at_m, radius_m) or not self._on_table(ball.at_m):
            return None
        x, y = self._reduction.nearest_px(self.plane.pixel(ball.at_m))
        height, width = foreground.shape
        if not (0 <= x < width and 0 <= y < height) or not foreground[y, x]:
            return None
        view = self._fit(frame, ball.at_m)
        if view is None or view.support < ENOUGH_SUPPORT_IN_CROWD or _near(views, view.at_m, radius_m):
            return None
        return view if colour_distance(view.colour, ball.colour) < COLOUR_GATE else None

    def _stands_free(self, everywhere: Mask, view: BallView) -> bool:
        """Whether cloth or rail is seen most of the way round a ball: a knuckle or a sleeve goes on somewhere."""
        radius_px = float(self.plane.radii_px(view.at_m[None])[0])
        x, y = ring(view.at_px, radius_px, self._reduction, everywhere.shape, FREE_RING_RADII)
        return bool((everywhere[y, x] == 0).sum() >= FREE_RING * RING_POINTS)

    def _unchanged(self, reduced: Planes, ball: BallView) -> bool:
        """Whether the reduced picture round a resting ball is as it was in the frame before."""
        if self._before is None:
            return False
        x, y = self._reduction.nearest_px(ball.at_px)
        if self._search.like_cloth(ball.colour, ball.at_px):
            size = round(float(self.plane.radii_px(ball.at_m[None])[0]) / self._reduction.factor)
            disc = slice(max(y - size, 0), y + size + 1), slice(max(x - size, 0), x + size + 1)
            now, then = reduced[0][disc], self._before[0][disc]
            if (
                cv2.norm(now, then, cv2.NORM_L1) > UNCHANGED_FAINT * now.size
                or cv2.norm(now, then, cv2.NORM_INF) >= CHANGED
            ):
                return False
        reach = len(self._kernel)
        window = slice(max(y - reach, 0), y + reach + 1), slice(max(x - reach, 0), x + reach + 1)
        differences = (cv2.norm(a[window], b[window], cv2.NORM_L1) for a, b in zip(reduced, self._before, strict=True))
        return sum(differences) < UNCHANGED * reduced[0][window].size

    def _on_table(self, at_m: Vector) -> bool:
        """Whether a ball can be there: no nearer to a nose than touching it, unless it hangs over a pocket."""
        table = self.table
        room = table.track_offset_m - PLACE_TOLERANCE_M
        inside = room < at_m[0] < table.length_m - room and room < at_m[1] < table.width_m - room
        return bool(inside or np.hypot(*(self._mouths - at_m).T).min() < POCKET_REACH_RADII * table.ball_radius_m)


def _near(views: Sequence[BallView], at_m: Vector, radius_m: float) -> bool:
    return any(hypot(*(view.at_m - at_m)) < radius_m for view in views)


def _disc(radius_px: float) -> NDArray[np.uint8]:
    side = 2 * max(1, round(radius_px)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)).astype(np.uint8)
