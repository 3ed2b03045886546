"""The shift that brings the outline of a ball of known size onto the edges found along its rays.

Weighted least squares with Tukey's biweight (Beaton & Tukey, Technometrics 16, 1974), and how well it is known.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np

from calibration.compiled import compiled, middle_of
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


@compiled
def no_shift(rays: int) -> Shift:
    """Where the search begins: the outline where it was predicted, all rays kept."""
    return Shift(np.zeros(3), np.zeros(rays), np.ones(rays), np.ones(rays), 1.0, 0.0)


@compiled
def shift_onto(
    units: Vector, residual: Vector, strength: Vector, before: Shift, times: int, offset_sd_px: float
) -> Shift:
    """The shift that moves the outline onto the edges, ``residual`` (rays,) pixels off along ``units`` (rays, 2).

    Rays are weighed anew so many ``times``, going on from how they were weighed ``before``. The third unknown, held
    near zero by a prior, is how far the outline as a whole lies outside the predicted one.
    """
    rays = len(units)
    step, left, off_by, variance = np.zeros(3), np.empty(rays), np.empty(rays), 0.0
    kept, scale = before.kept.copy(), before.scale
    for _ in range(times):
        xx = yy = 1e-9
        xy = xo = yo = x = y = o = 0.0
        oo = (scale / offset_sd_px) ** 2
        for ray in range(rays):
            right, down, weight = units[ray, 0], units[ray, 1], strength[ray] * kept[ray]
            off = weight * residual[ray]
            xx, xy, yy = xx + weight * right * right, xy + weight * right * down, yy + weight * down * down
            xo, yo, oo = xo + weight * right, yo + weight * down, oo + weight
            x, y, o = x + off * right, y + off * down, o + off
        # Three unknowns by cofactors.
        a, b, c = yy * oo - yo * yo, xo * yo - xy * oo, xy * yo - xo * yy
        e, f, i = xx * oo - xo * xo, xy * xo - xx * yo, xx * yy - xy * xy
        whole = xx * a + xy * b + xo * c
        variance = (a + e) / 2 / whole
        step[0] = (a * x + b * y + c * o) / whole
        step[1] = (b * x + e * y + f * o) / whole
        step[2] = (c * x + f * y + i * o) / whole
        for ray in range(rays):
            left[ray] = residual[ray] - units[ray, 0] * step[0] - units[ray, 1] * step[1] - step[2]
            off_by[ray] = abs(left[ray])
        scale = max(1.4826 * middle_of(off_by), LEAST_SCALE_PX)
        for ray in range(rays):
            share = min(abs(left[ray]) / (TUKEY_CUTOFF * scale), 1.0)
            kept[ray] = (1 - share * share) ** 2
    return Shift(step, left, kept, strength * kept, scale, variance)


def edges_sd_px(shift: Shift) -> float:
    """Standard deviation of either coordinate of a shift, where every edge errs by itself."""
    return shift.scale * sqrt(shift.variance)


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
