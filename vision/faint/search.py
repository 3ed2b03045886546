"""Balls that hardly differ from the cloth: where to look for them, and what is taken for one.

What differs a little from the empty table, and is about as large as a ball and its shadow, is looked at closely
(``vision.faint.lit_fit``) once it has stayed as it is for a few looks; a ball of that kind that is known is looked for
where it should be. So films without such a ball pay for the first of these alone.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.background import Background
from vision.faint.lit_fit import LitFit, fit_lit, patch_round
from vision.film.planes import BLACK, NEUTRAL, Plane
from vision.pieces import Mask, Piece, pieces

# A ball is like the cloth when its colour is within so many grey levels of a shade of it, in either colour plane, and
# it has such a share of the cloth's light, or is within so many grey levels of it.
LIKE_COLOUR, LIKE_SHARE, LIKE_LUMA = 9.0, (0.3, 1.7), 45.0
# A piece that may be such a ball and its shadow: how many discs it covers, its longest side in radii.
PIECE_DISCS, PIECE_RADII = (0.3, 3.5), 5.0
# It has to be seen so often within so many radii of one place. Where nothing was found it has to be seen so many times
# as often before it is looked at again.
SEEN_BEFORE, SAME_PLACE_RADII, SEEN_AGAIN = 6, 0.4, 4
# Where the search starts beside what is guessed, in radii: of one that nobody knows, and once more where that led.
ASIDE, ASIDE_AGAIN = 0.9, 0.3
# What a ball leaves unexplained at most, as chi-square for each pixel: so much, more where much differs from the empty
# table, but never more than the limit. The share that it explains at least of what differs, how much differs at least
# for each pixel, and how surely it is placed, in radii.
MOST_MISFIT, LEFT_SHARE, MISFIT_LIMIT = 1.2, 0.025, 3.5
LEAST_TOLD, LEAST_DIFFERENCE, SURELY = 0.8, 2.0, 0.15
# The same for a known ball: it may be smeared, or partly covered.
KNOWN_MISFIT, KNOWN_TOLD = 4.0, 0.7
# A ball that is not found so often in a row, or more often where it lay, is not looked for any more until another is
# found. A film has such balls
# when so many looks at one that lies there were explained.
GIVEN_UP, GIVEN_UP_AT_REST, CERTAIN = 4, 20, 3
# So many are looked at closely in one look: each takes as long as several frames.
MOST_AT_ONCE = 2
# So many places where one was found are kept beside the last.
FOUND_KEPT = 15


# Where a search starts: in the middle, at four sides, and half-way to the corners between them.
_AROUND = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)])


@dataclass(eq=False)
class _Hint:
    """Where something may be, how often it was seen there, and has to be before it is looked at closely; looks without
    it since."""

    at_m: Vector
    due: int
    seen: int = 1
    missed: int = 0


class FaintSearch:
    """Finds the balls of a clip's frames that hardly differ from the cloth, one frame after another."""

    def __init__(self, background: Background, plane: BallPlane) -> None:
        self.background, self.plane = background, plane
        self._luma = np.ascontiguousarray(background.cloth[..., 0])
        self._hints: list[_Hint] = []
        self._found_m: list[Vector] = []
        self._explained = self._failed = 0

    @property
    def pending(self) -> bool:
        """Whether something was seen lately that may be such a ball, and has not been looked at closely."""
        return any(hint.due == SEEN_BEFORE for hint in self._hints)

    def worth_a_look(self, at_m: Vector, *, at_rest: bool) -> bool:
        """Whether a ball that is expected at a place (2,) is to be looked for there: it lies there, was found there, or
        the film is known to have such balls."""
        if self._failed >= (GIVEN_UP_AT_REST if at_rest else GIVEN_UP):
            return False
        return at_rest or self.certain or any(self._same(at_m, other) for other in self._found_m)

    @property
    def certain(self) -> bool:
        """Whether the film is known to have such balls."""
        return self._explained >= CERTAIN

    def like_cloth(self, colour: Vector, at_px: Vector) -> bool:
        """Whether a ball of a colour (3,) Y, U, V, as it is in the light that was learnt, hardly differs from the cloth
        at a pixel of the frame (2,)."""
        x, y = self.background.reduction.nearest_px(at_px)
        height, width = self._luma.shape
        if not (0 <= x < width and 0 <= y < height):
            return False
        (luma, *hues), (cloth, *cloths) = colour.tolist(), self.background.cloth[y, x].tolist()
        share = (luma - BLACK) / max(cloth - BLACK, 1.0)
        if not LIKE_SHARE[0] < share < LIKE_SHARE[1] and abs(luma - cloth) > LIKE_LUMA:
            return False
        shades = (NEUTRAL + (c - NEUTRAL) * share for c in cloths)
        return all(abs(hue - shade) < LIKE_COLOUR for hue, shade in zip(hues, shades, strict=True))

    def known(self, luma: Plane, gain: float, at_m: Vector, *, anew: bool, at_rest: bool) -> LitFit | None:
        """A ball that is known, near where it should be; ``anew``: also around that, for it may have moved, or what is
        known of it may be its shadow."""
        found = None if anew else self._fit(luma, gain, at_m, 0.0)
        if found is None or not _explains(found):
            found = self._twice(luma, gain, at_m)
        if found is not None:
            most = KNOWN_MISFIT + LEFT_SHARE * found.difference
            if found.misfit > most or found.told < KNOWN_TOLD or found.sd_m > 2 * SURELY * self.plane.radius_m:
                found = None
        self._failed = 0 if found is not None else self._failed + 1
        if found is not None and at_rest and _explains(found):
            self._explained += 1
        return found

    def newcomers(
        self,
        luma: Plane,
        gain: float,
        mask: Mask,
        taken_m: Sequence[Vector],
        on_table: Callable[[Vector], bool],
        *,
        at_once: bool,
    ) -> list[LitFit]:
        """Balls that nobody knows of, in a frame's full luma.

        ``mask`` is 255 where the reduced picture differs a little from the empty table and nothing large covers it,
        ``taken_m`` where balls are seen anyway; ``on_table`` tells whether one can lie at a place (2,). ``at_once``:
        one that is known is missed and may be anywhere.
        """
        found: list[LitFit] = []
        hints = []
        for at_m in self._places(mask, taken_m):
            if not on_table(at_m):
                continue
            hint = next((h for h in self._hints if self._same(h.at_m, at_m)), None)
            if hint is None:
                hint = _Hint(at_m, SEEN_BEFORE)
            elif hint not in hints:
                hint.seen, hint.missed = hint.seen + 1, 0
            hints.append(hint)
            if len(found) >= MOST_AT_ONCE or (hint.seen < hint.due and not (at_once and hint.due == SEEN_BEFORE)):
                continue
            ball = self.one(luma, gain, at_m)
            hint.due = SEEN_AGAIN * max(hint.seen, SEEN_BEFORE)
            if ball is not None and all(hypot(*(ball.at_m - o)) > self.plane.radius_m for o in taken_m):
                found.append(ball)
                self._found_m = [*self._found_m[-FOUND_KEPT:], ball.at_m]
                self._failed = 0
        for hint in self._hints:
            if hint not in hints and hint.missed < SEEN_BEFORE:
                hint.missed += 1
                hints.append(hint)
        self._hints = hints
        return found

    def one(self, luma: Plane, gain: float, at_m: Vector) -> LitFit | None:
        """A ball that nobody knows of near a place, if what is there looks like one in every way."""
        ball = self._twice(luma, gain, at_m)
        if ball is None or not _explains(ball) or ball.difference < LEAST_DIFFERENCE:
            return None
        return ball if ball.sd_m < SURELY * self.plane.radius_m else None

    def _twice(self, luma: Plane, gain: float, at_m: Vector) -> LitFit | None:
        """The ball that is found round a place, by what is seen round where it was found."""
        first = self._fit(luma, gain, at_m, ASIDE)
        return None if first is None else self._fit(luma, gain, first.at_m, ASIDE_AGAIN)

    def _same(self, at_m: Vector, other_m: Vector) -> bool:
        return hypot(*(at_m - other_m)) < SAME_PLACE_RADII * self.plane.radius_m

    def _fit(self, luma: Plane, gain: float, at_m: Vector, aside: float) -> LitFit | None:
        at_px = self.plane.pixel(at_m)
        radius_px = self.plane.radius_px(at_m)
        if not np.isfinite(at_px).all():
            return None
        patch = patch_round(luma, self._luma, self.background.reduction, gain, at_px, radius_px)
        if patch is None:
            return None
        ways = _AROUND if aside else _AROUND[:1]
        return fit_lit(patch, self.plane, self.plane.places_m(at_px + aside * radius_px * ways))

    def _places(self, mask: Mask, taken_m: Sequence[Vector]) -> Iterator[Vector]:
        """Places (2,) of pieces of a mask that may be a ball and its shadow."""
        factor, radius_m = self.background.reduction.factor, self.plane.radius_m
        found: list[Piece] = pieces(mask, 8)
        if not found:
            return
        places = self.plane.places_m(self.background.reduction.frame_px(np.array([p.middle for p in found])))
        for piece, at_m, radius in zip(found, places, self.plane.radii_px(places).tolist(), strict=True):
            size = radius / factor
            discs = piece.area / (np.pi * size**2)
            if not PIECE_DISCS[0] < discs < PIECE_DISCS[1] or max(piece.wide, piece.high) > PIECE_RADII * size:
                continue
            if all(hypot(*(at_m - other)) > 2 * radius_m for other in taken_m):
                yield at_m


def _explains(fit: LitFit) -> bool:
    """Whether a ball leaves little of what is seen unexplained."""
    return fit.told >= LEAST_TOLD and fit.misfit <= min(MOST_MISFIT + LEFT_SHARE * fit.difference, MISFIT_LIMIT)
