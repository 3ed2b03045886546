"""What a frame shows along rays from the middle of a ball through its outline, and where the outline crosses them."""

from functools import lru_cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.film.clip import Frame
from vision.outlines.cloth_beyond import NO_LIGHT

RAYS = 36
# The stretch of each ray that is searched, as fractions of the ball's radius, and its number of samples.
INNER, OUTER, SAMPLES = 0.55, 1.45, 36
# The gradient is gathered this far round the steepest place, in radii, and half a smear farther: no farther, since on
# its dark side a ball is shaded nearly as steeply just inside its outline.
NEAR_EDGE = 0.11
# A ball's rim, as fractions of its radius; how far colours along it must differ (grey levels, over the three planes)
# for a ball of two colours; how much of the whole ball's colour still counts then.
RIM, TWO_COLOURS, WHOLE_SHARE = (0.62, 0.86), 60.0, 0.25
# How much less the direction counts in which a shadow changes colours (noise of 10 grey levels against shadows of 30,
# in Fisher's linear discriminant).
SHADOW_SHARE = np.float32(0.9)
# How a ball's light falls is told by what lies farther inside than this share of the radius; it goes on to the outline
# and ends there over so much either way, in radii: a pixel of a usual ball, as far as a picture's edges are soft.
SHADED, SHADING_ENDS, LEAST_INSIDE = 0.82, 0.08, 4
# Luma of a ball of which the colour's share in its light is not asked (grey levels over black).
LEAST_LIGHT = np.float32(8.0)
# Weights for the mean of a ray's first and last samples: the ball and the cloth.
_FIRST_FOUR = np.where(np.arange(SAMPLES) < 4, np.float32(0.25), np.float32(0))
_LAST_FOUR = _FIRST_FOUR[::-1]
_EACH_RAY, _ALL_COUNT = np.arange(RAYS), np.ones(RAYS)
_NEIGHBOURS = (np.arange(RAYS)[:, None] + np.arange(-2, 3)) % RAYS


@lru_cache(maxsize=16)
def stretch(reach: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The fractions of the radius (samples,) at which rays are sampled for half a smear of ``reach`` radii, and weights
    (samples, 3) for the means of what is inside, outside and at the rim. Balls without a smear share theirs."""
    fractions = np.linspace(INNER - min(reach, 0.4), OUTER + reach, SAMPLES).astype(np.float32)
    at_rim = (fractions > RIM[0]) & (fractions < RIM[1])
    means = np.column_stack([_FIRST_FOUR, _LAST_FOUR, at_rim / np.float32(at_rim.sum())])
    for array in (fractions, means):
        array.flags.writeable = False
    return fractions, means


class Rays(NamedTuple):
    """Rays from a ball's middle through its outline.

    ``places_px`` (rays, samples, 2) are those sampled, from the middle, at ``fractions`` of the radius; ``lengths`` the
    pixels to the outline in directions ``units``; ``design`` (rays, 3) of the shift; ``means`` as ``stretch`` gives
    them; ``reach`` of half a smear, in radii; ``radius_px``, the mean; ``shadow_share`` as for ``mix_of_planes``.
    """

    places_px: NDArray[np.float32]
    lengths: Vector
    units: Vector
    design: Vector
    fractions: NDArray[np.float32]
    means: NDArray[np.float32]
    reach: float
    radius_px: float
    shadow_share: np.float32 = SHADOW_SHARE


def samples_along(frame: Frame, middle_px: Vector, places_px: NDArray[np.float32]) -> NDArray[np.float32]:
    """Y, U, V along rays, (3, rays, samples), at ``places_px`` (rays, samples, 2) from their middle."""
    out = np.empty((3, *places_px.shape[:2]), np.uint8)
    half = np.float32(0.5)
    cv2.remap(frame.y, places_px + middle_px.astype(np.float32), None, cv2.INTER_LINEAR, out[0])
    colour = places_px * half
    colour += (middle_px - frame.colour_at_px).astype(np.float32) * half
    cv2.remap(frame.u, colour, None, cv2.INTER_LINEAR, out[1])
    cv2.remap(frame.v, colour, None, cv2.INTER_LINEAR, out[2])
    return out.astype(np.float32)


def mix_of_planes(
    samples: NDArray[np.float32], means: NDArray[np.float32], shadow_share: np.float32 = SHADOW_SHARE
) -> NDArray[np.float32]:
    """Weights (3, rays) of the planes that tell ball from cloth best: along the difference of their colours.

    ``means`` as ``stretch`` gives them; ``shadow_share`` tells how much less a loss of light counts.

    One mix serves a ball of one colour. On a ball of two, the border between them can show more in that mix than the
    outline: there every ray goes by the colour that the ball has at its rim on that ray.
    """
    # Inside, outside and at the rim, in one product.
    along = samples @ means
    cloth = np.add.reduce(along[..., 1], axis=1) / RAYS
    whole = np.add.reduce(along[..., 0], axis=1) / RAYS - cloth
    rim = along[..., 2]
    difference = np.repeat(whole[:, None], RAYS, axis=1)
    off = rim - (np.add.reduce(rim, axis=1) / RAYS)[:, None]
    if np.add.reduce(np.abs(off), axis=0).max() > TWO_COLOURS:
        difference = rim - cloth[:, None] + WHOLE_SHARE * whole[:, None]
    # A shadow takes light from the cloth and leaves its hue. Beside a ball that is darker than the cloth it looks like
    # a part of the ball, so what is left of the difference once such a loss of light counts little tells more.
    light = cloth - NO_LIGHT
    light = light / max(float(np.sqrt(light @ light)), 1e-6)
    difference = difference - shadow_share * np.minimum(light @ difference, 0.0) * light[:, None]
    return difference / np.maximum(np.sqrt(np.add.reduce(difference * difference, axis=0)), 1e-6)


def shading(
    samples: NDArray[np.float32], mix: NDArray[np.float32], fractions: NDArray[np.float32], reach: float
) -> Vector:
    """How much a ball of even colour darkens from each sample to the next along the rays (rays,), in their mix.

    Lit from above, it darkens towards the camera of a slanting view, where it shows its underside, and does so up to
    its outline. Light takes the same share of all planes, so that the luma tells it; hues are kept too coarsely. Half a
    smear of ``reach`` radii leaves less that is inside; nothing is told by fewer than ``LEAST_INSIDE`` samples.
    """
    inside = int(np.count_nonzero(fractions < SHADED - reach))
    if inside < LEAST_INSIDE:
        return np.zeros(RAYS)
    luma = samples[0, :, :inside]
    falls = luma[:, :-1] - luma[:, 1:]
    half = falls.shape[1] // 2
    # The middle one along each ray, so that the border of a pattern does not count.
    slope = np.partition(falls, half, axis=1)[:, half][_NEIGHBOURS]
    slope.partition(2, axis=1)
    slope = slope[:, 2]
    colour = np.add.reduce(samples[:, :, :inside], axis=2) * np.float32(1 / inside) - NO_LIGHT[:, None]
    share = np.add.reduce(mix * colour, axis=0) / np.maximum(colour[0], LEAST_LIGHT)
    return np.maximum(slope * share, np.float32(0))


class Window(NamedTuple):
    """Where along each ray (rays,) the edge is looked for and how far round it, in radii; what a fall of brightness
    from each sample to the next counts there (rays, samples - 1), by what lies farther out; how much of a fall inside
    is the ball's ``shading`` (rays,), and over which way it ends at the outline, in radii."""

    middle: NDArray[np.float32]
    width: float
    counts: NDArray[np.float32]
    shading: Vector
    ends: float


def find_edges(
    profile: NDArray[np.float32], fractions: NDArray[np.float32], near_edge: float, window: Window | None
) -> tuple[Vector, Vector, Vector]:
    """Where along each ray the brightness falls, in radii; by how much, in grey levels, 0 for no edge; what it counts.

    Without a ``window`` all falls count, wherever they are.
    """
    fall = profile[:, :-1] - profile[:, 1:]
    middle = (fractions[:-1] + fractions[1:]) / 2
    if window is None:
        counting = np.maximum(fall, np.float32(0), out=fall)
    else:
        away = middle - window.middle[:, None]
        inside = np.clip(np.float32(0.5) - away * np.float32(0.5 / window.ends), np.float32(0), np.float32(1))
        fall -= window.shading[:, None] * inside
        np.maximum(fall, np.float32(0), out=fall)
        away *= np.float32(1 / window.width)
        fall *= np.exp(away * away * np.float32(-0.5))
        counting = fall * window.counts
    # The steepest place that counts first, then the centre of mass around it, so that a pattern inside the ball does
    # not pull. The squares let the edge itself count, and little of the shading that falls towards it from inside.
    steepest = cv2.blur(counting, (5, 1)).argmax(axis=1)
    fall *= np.abs(middle - middle[steepest][:, None]) < near_edge
    mass = np.add.reduce(fall, axis=1)
    squares = fall * fall
    place = (squares @ middle) / np.maximum(np.add.reduce(squares, axis=1), np.float32(1e-9))
    count = _ALL_COUNT if window is None else window.counts[_EACH_RAY, steepest]
    return np.where(mass > 0, place, 1.0), mass, count
