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
# Neighbouring rays are never taken to be more alike than this.
MOST_ALIKE = 0.95
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
        scale = max(1.4826 * float(sorted_off[len(off) // 2]), 0.1)
        share = np.minimum(off * (1 / (TUKEY_CUTOFF * scale)), 1.0)
        kept = 1 - share * share
        kept *= kept
        weights = strength * kept
    return Shift(step, left, kept, weights, scale, (a + e) / 2 / whole)


def shift_sd_px(shift: Shift, strength: Vector) -> float:
    """Standard deviation of either coordinate of a shift.

    What pulls one ray (a shadow, a stripe, a block of the compression) pulls its neighbours too: the rays of a
    first-order autoregression count as (1 - r) / (1 + r) of their number.
    """
    most = TUKEY_CUTOFF * shift.scale
    pull = np.clip(shift.left, -most, most) * np.sqrt(strength)
    neighbours = float(pull[1:] @ pull[:-1] + pull[0] * pull[-1])
    alike = min(max(neighbours / max(float(pull @ pull), 1e-12), 0.0), MOST_ALIKE)
    return shift.scale * sqrt(shift.variance * (1 + alike) / (1 - alike))


def untold_sd_px(strength: Vector, radius_px: float) -> float:
    """What is to be added where few edges show: what noise shows instead lies near where an edge was looked for."""
    told = float(np.add.reduce(strength)) / len(strength)
    return UNTOLD_SD * radius_px * max(1 - told / TOLD, 0.0)
