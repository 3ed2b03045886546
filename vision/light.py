"""How light a film is, and a frame of it against the empty table.

A film taken in poor light is looked at as if it were a lighter one, so that what tells a ball from the cloth is as
large as in any other; and a lamp switched or an exposure that hunts alters no colours.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.table import Vector
from vision.film.clip import Frame
from vision.film.planes import BLACK, NEUTRAL
from vision.pieces import Mask
from vision.reduced import Picture, Planes

# So many places of the cloth tell the light; what lies on it is a minority of them.
PLACES = 800
# Within this the light is as it was learnt: films flicker, and bounds round the cloth allow for it.
SAME_LIGHT = 0.06
# Darker or lighter than this no film can be told from its noise.
LEAST_LIGHT, MOST_LIGHT = 0.2, 5.0
# Luma: a film is dark whose brightest things, balls or other, have less than the first. They are then brought to the
# second, but the cloth to no more than the third: a white ball may lie on it that no still shows.
DARK, BRIGHT, LIT_CLOTH = 100.0, 160.0, 110.0
# Reduced pixels, in either direction, that the brightest thing covers at least: more than the lamps in a ball's gloss.
BRIGHT_PX = 3
# The levels of Y, U, V that stand for no light.
_ZERO = np.array([BLACK, NEUTRAL, NEUTRAL])


@dataclass(frozen=True)
class Light:
    """A light as a multiple of that in which the empty table was learnt, or of a good one; 1 when about the same."""

    share: float

    def evened(self, reduced: Planes) -> Planes:
        """A reduced frame as it would be in the light that was learnt."""
        if self.share == 1.0:
            return reduced
        levels = np.arange(256)
        tables = (np.clip(np.rint(zero + (levels - zero) / self.share), 0, 255) for zero in _ZERO)
        y, u, v = (cv2.LUT(p, table.astype(np.uint8)) for p, table in zip(reduced, tables, strict=True))
        return y, u, v

    def evened_picture(self, picture: Picture) -> Picture:
        """The same of a picture (h, w, 3) Y, U, V."""
        if self.share == 1.0:
            return picture
        y, u, v = cv2.split(picture)
        return np.asarray(cv2.merge(self.evened((y, u, v))), np.uint8)

    def evened_frame(self, frame: Frame) -> Frame:
        """The same of a whole frame; in the same light that frame itself."""
        if self.share == 1.0:
            return frame
        y, u, v = self.evened((frame.y, frame.u, frame.v))
        return replace(frame, y=y, u=u, v=v)

    def colour(self, seen: Vector) -> Vector:
        """A ball's colour (3,) Y, U, V as it would be in that light."""
        if self.share == 1.0:
            return seen
        return np.asarray(_ZERO + (seen - _ZERO) / self.share)


def light_of_film(lumas: Sequence[Picture], region: Mask) -> Light:
    """The light of a film as a multiple of a good one, by the brightest that its reduced stills (h, w) show in a region
    (h, w) of 255; 1 unless it is dark, for a dark cloth with a bright ball on it is well lit."""
    patch = np.ones((BRIGHT_PX, BRIGHT_PX), np.uint8)
    inside = region > 0
    brightest = max(float(cv2.erode(luma, patch)[inside].max(initial=0)) for luma in lumas)
    if brightest >= DARK:
        return Light(1.0)
    cloth = float(np.median([np.median(luma[inside]) for luma in lumas]))
    share = max((brightest - BLACK) / (BRIGHT - BLACK), (cloth - BLACK) / (LIT_CLOTH - BLACK))
    return Light(float(np.clip(share, LEAST_LIGHT, 1.0)))


def in_one_light(pictures: Sequence[Picture], region: Mask) -> list[Picture]:
    """Reduced pictures (h, w, 3) as they would be in the light of the middle one of them, by its cloth.

    A lamp switched within a film leaves no median of two lights. ``region`` (h, w) is 255 where there is cloth.
    """
    levels = np.array([max(float(np.median(picture[..., 0][region > 0])) - BLACK, 1.0) for picture in pictures])
    shares = levels / np.sort(levels)[len(levels) // 2]
    lights = [Light(float(share) if abs(share - 1) >= SAME_LIGHT else 1.0) for share in shares]
    return [light.evened_picture(picture) for light, picture in zip(lights, pictures, strict=True)]


class LightMeter:
    """Tells each frame's light by the cloth."""

    def __init__(self, cloth: Picture, region: Mask) -> None:
        """``cloth`` (h, w, 3) is the empty table, ``region`` (h, w) 255 where it is looked at."""
        inside = np.flatnonzero(region)
        self._at = inside[:: max(len(inside) // PLACES, 1)]
        self._per_level = 1 / np.maximum(cloth[..., 0].take(self._at).astype(np.float32) - BLACK, 1.0)

    def of(self, luma: Picture) -> Light:
        """The light of a frame, given its reduced luma (h, w)."""
        shares = (luma.take(self._at) - np.float32(BLACK)) * self._per_level
        # The median, but for the mean of the middle two.
        share = float(np.partition(shares, len(shares) // 2)[len(shares) // 2])
        if abs(share - 1) < SAME_LIGHT:
            return Light(1.0)
        return Light(float(np.clip(share, LEAST_LIGHT, MOST_LIGHT)))
