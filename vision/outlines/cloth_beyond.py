"""How much what lies beyond each place of a ball's rays looks like the cloth, lit or in shadow.

The outline of a ball is where the cloth begins. The border of a stripe, a number's disc or a highlight can show far
more than the outline of a ball that is nearly of the cloth's colour, but beyond those borders the ball goes on.
"""

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.film.planes import BLACK, NEUTRAL

Samples = NDArray[np.float32]

# Y, U, V of black, towards which a shadow goes.
NO_LIGHT = np.array([BLACK, NEUTRAL, NEUTRAL], np.float32)
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


def cloth_beyond(samples: Samples, step: float, radius_px: float, smear: float) -> Samples:
    """Shares (rays, samples - 1) by which the fall from each sample to the next counts as the ball's outline.

    ``samples`` (3, rays, samples) are Y, U, V along the rays, every ``step`` radii; ``smear`` is how far the outline is
    smeared either way, in radii.
    """
    planes, rays, count = samples.shape
    off = samples.reshape(planes, -1) - NO_LIGHT[:, None]
    ends = np.add.reduce(off.reshape(samples.shape)[:, :, -ENDS:], axis=2)
    ends.partition(rays // 2)
    light = ends[:, rays // 2] * np.float32(1 / ENDS)
    usual = max(float(np.sqrt(light @ light)), 1e-6)
    along = (light / np.float32(usual)) @ off
    # Square of the distance from the nearest shade of cloth, in units of what is half like it.
    far = np.maximum(along - np.float32(IN_LIGHT * usual), np.float32(IN_SHADOW * usual) - along)
    np.maximum(far, np.float32(0), out=far)
    far *= far * np.float32(1 / HUE_SHARE)
    far += np.einsum("pk,pk->k", off, off)
    far -= along * along
    far *= np.float32(HUE_SHARE / HALF_LIKE**2)
    far += np.float32(1)
    like = np.reciprocal(far, out=far).reshape(rays, count)
    kernel = _mean_beyond(1 + round((GAP_PX / radius_px + smear) / step), max(round(STRETCH / step), 2))
    shares = cv2.filter2D(like, -1, kernel, anchor=(0, 0), delta=LEAST_SHARE, borderType=cv2.BORDER_REPLICATE)
    share: Samples = shares[:, :-1]
    return share


@cache
def _mean_beyond(gap: int, stretch: int) -> Samples:
    """Weights (1, gap + stretch) of the mean over what begins ``gap`` samples farther out."""
    kernel = np.zeros((1, gap + stretch), np.float32)
    kernel[0, gap:] = (1 - LEAST_SHARE) / stretch
    return kernel
