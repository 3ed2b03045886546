"""How much what lies beyond each place of a ball's rays looks like the cloth, lit or in shadow.

The outline of a ball is where the cloth begins. The border of a stripe, a number's disc or a highlight can show far
more than the outline of a ball that is nearly of the cloth's colour, but beyond those borders the ball goes on.
"""

from math import sqrt

import numpy as np

from calibration.compiled import compiled, middle_of
from calibration.table import Vector
from vision.film.planes import BLACK, NEUTRAL

# Y, U, V of black, towards which a shadow goes.
NO_LIGHT = np.array([BLACK, NEUTRAL, NEUTRAL])
# A colour this far from the cloth's, in grey levels, is half like it; hues count double (their squares fourfold).
HALF_LIKE, HUE_SHARE = 10.0, 4.0
# How bright cloth may be, in shadow and in a fleck of light, as shares of the usual.
IN_SHADOW, IN_LIGHT = 0.6, 1.08
# The cloth's colour is the middle one of the rays' last so many samples.
ENDS = 4
# What is looked at begins so many pixels beyond a place (the picture's blur) and is so long, in radii.
GAP_PX, STRETCH = 2.0, 0.15
# What a fall of brightness still counts where something else lies beyond: a rail, a ball that touches, a pocket.
LEAST_SHARE = 0.1


@compiled
def cloth_beyond(samples: Vector, step: float, radius_px: float, smear: float) -> Vector:
    """Shares (rays, samples - 1) by which the fall from each sample to the next counts as the ball's outline.

    ``samples`` (3, rays, samples) are Y, U, V along the rays, every ``step`` radii; ``smear`` is how far the outline is
    smeared either way, in radii.
    """
    _, rays, count = samples.shape
    like = _like_cloth(samples)
    gap = 1 + round((GAP_PX / radius_px + smear) / step)
    stretch = max(round(STRETCH / step), 2)
    shares = np.empty((rays, count - 1))
    for ray in range(rays):
        for k in range(count - 1):
            # What is beyond the last sample is taken to be as that is.
            total = 0.0
            for far in range(k + gap, k + gap + stretch):
                total += like[ray, min(far, count - 1)]
            shares[ray, k] = LEAST_SHARE + (1 - LEAST_SHARE) * total / stretch
    return shares


@compiled
def _like_cloth(samples: Vector) -> Vector:
    """How much each sample (rays, samples) is of the cloth's colour, in some light: 1 to 0."""
    _, rays, count = samples.shape
    light, ends, square = np.empty(3), np.empty(rays), 0.0
    for plane in range(3):
        for ray in range(rays):
            total = 0.0
            for k in range(count - ENDS, count):
                total += samples[plane, ray, k]
            ends[ray] = total / ENDS - NO_LIGHT[plane]
        light[plane] = middle_of(ends)
        square += light[plane] * light[plane]
    usual = max(sqrt(square), 1e-6)
    like = np.empty((rays, count))
    for ray in range(rays):
        for k in range(count):
            square, along = 0.0, 0.0
            for plane in range(3):
                off = samples[plane, ray, k] - NO_LIGHT[plane]
                square += off * off
                along += off * light[plane] / usual
            # Square of the distance from the nearest shade of cloth, in units of what is half like it.
            far = max(along - IN_LIGHT * usual, IN_SHADOW * usual - along, 0.0)
            hue = square - along * along
            like[ray, k] = 1 / (1 + (far * far / HUE_SHARE + hue) * (HUE_SHARE / HALF_LIKE**2))
    return like
