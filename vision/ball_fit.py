"""The outline of a ball in one frame: near a place, and in a blob that may be smeared."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.film.clip import Frame
from vision.light import Light
from vision.outlines.outline import BallView, fit_outline
from vision.outlines.shown import as_shown, inside_colour
from vision.table_view import Expected

# A blob this close to where a ball lay is that ball still, in radii: the shadow beside it moves the blob's middle.
STAYED_RADII = 0.7
# Support that a ball which was put somewhere has without a smear.
SHARP_SUPPORT = 0.6


@dataclass(frozen=True)
class BallFit:
    """Fits balls in a frame, and tells their colours as they are in the light that was learnt; ``light`` is the
    frame's."""

    frame: Frame
    plane: BallPlane
    light: Light

    def colour_at(self, at_m: Vector) -> Vector:
        """The colour (3,) Y, U, V of a ball whose centre is at a place (2,), or of what covers it there; NaN where the
        picture does not show all of it."""
        x, y = at_px = self.plane.pixel(at_m)
        radius_px = self.plane.radius_px(at_m)
        height, width = self.frame.y.shape
        if not (radius_px < x < width - radius_px and radius_px < y < height - radius_px):
            return np.full(3, np.nan)
        return self.light.colour(inside_colour(as_shown(self.frame), at_px, radius_px))

    def near(
        self, guess_m: Vector, smear_m: float = 0.0, *, patterned: bool = False, by_light: bool = False
    ) -> BallView | None:
        """The ball near a place (2,), smeared by so much; see ``fit_outline``."""
        view = fit_outline(self.frame, self.plane, guess_m, smear_m, patterned=patterned, by_light=by_light)
        return view if view is None else replace(view, colour=self.light.colour(view.colour))

    def in_blob(
        self,
        guess_m: Vector,
        smear_m: float,
        expected: Sequence[Expected],
        *,
        newcomer: bool,
        by_light: bool = False,
    ) -> BallView | None:
        """A ball's outline in a blob that may be smeared. A shadow makes a blob long too: a ball that lies where it lay
        is not smeared, and one that nobody misses (``newcomer``) mostly was put there."""
        stayed_m = STAYED_RADII * self.plane.radius_m
        if any(ball.at_rest and hypot(*(ball.at_m - guess_m)) < stayed_m for ball in expected):
            smear_m = 0.0
        if smear_m > 0 and newcomer:
            sharp = self.near(guess_m, by_light=by_light)
            if sharp is not None and sharp.support >= SHARP_SUPPORT:
                return sharp
        return self.near(guess_m, smear_m, by_light=by_light)
