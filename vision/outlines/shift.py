"""The shift that brings the outline of a ball of known size onto the edges found along its rays.

Weighted least squares with Tukey's biweight (Beaton & Tukey, Technometrics 16, 1974), and how well it is known.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np

from calibration.table import Vector

TUKEY_CUTOFF = 4.0
# Rays are weighed anew so often, and so often in a later round, which goes on from the weights of the one before.
REWEIGHTINGS, LATER_REWEIGHTINGS = 3, 2
# Edges of a clear picture scatter by as much, in pixels; what they scatter by beyond that is one error on a stretch of
# the outline so long, the side of a block that films are coded in (errors of rendered and coded pictures of many tables
# against their true cameras bear that out, for balls of 4 to 20 pixels).
LEAST_SCALE_PX, PULLED_PX = 0.1, 16.0
# Where no edge tells it a ball may be so far, in radii, from where it was looked for (judged from rendered balls of
# nearly the cloth's colour); the mean strength of the rays that tells it.
UNTOLD_SD, TOLD = 0.2, 0.6


class Shift(NamedTuple):
    """How the outline is shifted onto the edges.

    ``step`` (3,) pixels: right, down, outwards; ``left`` (rays,) what remains; ``scale`` its robust sd; ``kept`` the
    share of each ray's strength that this left it; ``variance`` of the step, mean of right and down, at unit sd.
    """

    step: Vector
    left: Vector
    kept: Vector
    weights: Vector
    scale: float
    variance: float


def shift_onto(design: Vector, residual: Vector, strength: Vector, before: Shift | None, offset_sd_px: float) -> Shift:
    """The shift that moves the outline onto the edges; ``design`` (rays, 3) are the rays' directions and ones.

    The third unknown, held near zero by a prior, is how far the outline as a whole lies outside the predicted one.
    """
    weights, scale = (strength, 1.0) if before is None else (strength * before.kept, before.scale)
    right, down, _ = design.T
    # What the normal equations sum over the rays, but for the weights.
    terms = np.array([right * right, right * down, down * down, right, down, design[:, 2], *(design.T * residual)])
    for _ in range(REWEIGHTINGS if before is None else LATER_REWEIGHTINGS):
        xx, xy, yy, xo, yo, oo, x, y, o = (terms @ weights).tolist()
        xx, yy, oo = xx + 1e-9, yy + 1e-9, oo + (scale / offset_sd_px) ** 2
        # Three unknowns by cofactors: this runs several times for every ball of every frame.
        a, b, c = yy * oo - yo * yo, xo * yo - xy * oo, xy * yo - xo * yy
        e, f, i = xx * oo - xo * xo, xy * xo - xx * yo, xx * yy - xy * xy
        whole = xx * a + xy * b + xo * c
        step = np.array([a * x + b * y + c * o, b * x + e * y + f * o, c * x + f * y + i * o]) / whole
        left = residual - design @ step
        off = np.abs(left)
        sorted_off = off.copy()
        sorted_off.partition(len(off) // 2)
        scale = max(1.4826 * float(sorted_off[len(off) // 2]), LEAST_SCALE_PX)
        share = np.minimum(off * (1 / (TUKEY_CUTOFF * scale)), 1.0)
        kept = 1 - share * share
        kept *= kept
        weights = strength * kept
    return Shift(step, left, kept, weights, scale, (a + e) / 2 / whole)


def shift_sd_px(shift: Shift, spacing_px: float) -> float:
    """Standard deviation of either coordinate of a shift, from how the edges scatter round the outline.

    What scatters more than a clear picture's edges do is no noise but pulls neighbours one way (a block of the
    compression, a stripe, a shadow), and of such pulls those that go all round look like a shift and leave no trace:
    the excess counts as one error for all edges on a stretch of the outline. ``spacing_px`` is from ray to ray there.
    """
    excess = shift.scale - LEAST_SCALE_PX
    together = max(PULLED_PX / spacing_px, 1.0)
    return sqrt(shift.variance * (shift.scale**2 + together * excess**2))


def untold_sd_px(strength: Vector, radius_px: float) -> float:
    """What is to be added where few edges show: what noise shows instead lies near where an edge was looked for."""
    told = float(np.add.reduce(strength)) / len(strength)
    return UNTOLD_SD * radius_px * max(1 - told / TOLD, 0.0)
