"""What a frame shows along rays from the middle of a ball through its outline, and where the outline crosses them."""

from functools import lru_cache
from math import exp, floor, sqrt
from typing import NamedTuple

import numpy as np

from calibration.compiled import compiled, middle_of
from calibration.table import Vector
from vision.film.planes import Plane
from vision.outlines.cloth_beyond import NO_LIGHT
from vision.outlines.shown import Shown

RAYS = 36
# The stretch of each ray that is searched, as fractions of the ball's radius, and its number of samples.
INNER, OUTER, SAMPLES = 0.55, 1.45, 36
# The ball and the cloth are told by so many of the first and last samples.
ENDS = 4
# The gradient is gathered this far round the steepest place, in radii, and half a smear farther: no farther, since on
# its dark side a ball is shaded nearly as steeply just inside its outline.
NEAR_EDGE = 0.11
# The steepest place is that of a mean over so many samples to either side.
STEEP_OVER = 2
# A ball's rim, as fractions of its radius; how far colours along it must differ (grey levels, over the three planes)
# for a ball of two colours; how much of the whole ball's colour still counts then.
RIM, TWO_COLOURS, WHOLE_SHARE = (0.62, 0.86), 60.0, 0.25
# How much less the direction counts in which a shadow changes colours (noise of 10 grey levels against shadows of 30,
# in Fisher's linear discriminant).
SHADOW_SHARE = 0.9
# How a ball's light falls is told by what lies farther inside than this share of the radius; it goes on to the outline
# and ends there over so much either way, in radii: a pixel of a usual ball, as far as a picture's edges are soft.
SHADED, SHADING_ENDS, LEAST_INSIDE = 0.82, 0.08, 4
# Of how many rays to either side the middle one tells how a ball darkens there.
SHADED_ALIKE = 2
# Luma of a ball of which the colour's share in its light is not asked (grey levels over black).
LEAST_LIGHT = 8.0


@lru_cache(maxsize=16)
def stretch(reach: float) -> Vector:
    """The fractions of the radius (samples,) at which rays are sampled for half a smear of ``reach`` radii."""
    return np.linspace(INNER - min(reach, 0.4), OUTER + reach, SAMPLES)


class Rays(NamedTuple):
    """Rays from a ball's middle through its outline.

    ``spokes_px`` (rays, 2) lead from the middle to the outline, ``lengths`` pixels in directions ``units``; samples are
    taken at ``fractions`` of them. ``reach`` is half a smear, in radii; ``radius_px`` the mean length; ``shadow_share``
    as for ``mix_of_planes``.
    """

    spokes_px: Vector
    lengths: Vector
    units: Vector
    fractions: Vector
    reach: float
    radius_px: float
    shadow_share: float = SHADOW_SHARE


@compiled
def samples_along(shown: Shown, middle_px: Vector, rays: Rays) -> Vector:
    """Y, U, V along rays from a middle, (3, rays, samples), between pixels in proportion; 0 beyond the picture."""
    # Taking an array out of a tuple counts a reference to it; done for each sample it would take most of the time here.
    luma, blue, red = shown.y, shown.u, shown.v
    spokes, fractions = rays.spokes_px, rays.fractions
    height, width = luma.shape
    colour_height, colour_width = blue.shape
    samples = np.zeros((3, len(spokes), len(fractions)))
    for ray in range(len(spokes)):
        for k in range(len(fractions)):
            x, y = middle_px[0] + spokes[ray, 0] * fractions[k], middle_px[1] + spokes[ray, 1] * fractions[k]
            if 0 <= x <= width - 1 and 0 <= y <= height - 1:
                row, column = min(floor(y), height - 2), min(floor(x), width - 2)
                samples[0, ray, k] = _between(luma, row, column, y - row, x - column)
            x, y = (x - shown.colour_at_px[0]) / 2, (y - shown.colour_at_px[1]) / 2
            if 0 <= x <= colour_width - 1 and 0 <= y <= colour_height - 1:
                row, column = min(floor(y), colour_height - 2), min(floor(x), colour_width - 2)
                samples[1, ray, k] = _between(blue, row, column, y - row, x - column)
                samples[2, ray, k] = _between(red, row, column, y - row, x - column)
    return samples


@compiled
def _between(plane: Plane, row: int, column: int, below: float, right: float) -> float:
    """What a plane shows so much ``below`` and ``right`` of a pixel, in proportion to the four around."""
    upper = plane[row, column] * (1 - right) + plane[row, column + 1] * right
    lower = plane[row + 1, column] * (1 - right) + plane[row + 1, column + 1] * right
    return upper * (1 - below) + lower * below


@compiled
def mix_of_planes(samples: Vector, fractions: Vector, shadow_share: float = SHADOW_SHARE) -> Vector:
    """Weights (3, rays) of the planes that tell ball from cloth best: along the difference of their colours.

    ``shadow_share`` tells how much less a loss of light counts.

    One mix serves a ball of one colour. On a ball of two, the border between them can show more in that mix than the
    outline: there every ray goes by the colour that the ball has at its rim on that ray.
    """
    _, rays, count = samples.shape
    cloth, whole, mean_rim, rim = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros((3, rays))
    for plane in range(3):
        for ray in range(rays):
            at_rim = 0
            for k in range(count):
                value = samples[plane, ray, k]
                if k < ENDS:
                    whole[plane] += value / (ENDS * rays)
                if k >= count - ENDS:
                    cloth[plane] += value / (ENDS * rays)
                if RIM[0] < fractions[k] < RIM[1]:
                    rim[plane, ray] += value
                    at_rim += 1
            rim[plane, ray] /= at_rim
            mean_rim[plane] += rim[plane, ray] / rays
    most_off = 0.0
    for ray in range(rays):
        off = 0.0
        for plane in range(3):
            off += abs(rim[plane, ray] - mean_rim[plane])
        most_off = max(most_off, off)
    return _towards_ball(whole, rim, cloth, most_off > TWO_COLOURS, shadow_share)


@compiled
def _towards_ball(whole: Vector, rim: Vector, cloth: Vector, two_colours: bool, shadow_share: float) -> Vector:
    """The mix (3, rays) for the colours of the whole ball (3,), its rim (3, rays) and the cloth (3,)."""
    rays = rim.shape[1]
    # A shadow takes light from the cloth and leaves its hue. Beside a ball that is darker than the cloth it looks like
    # a part of the ball, so what is left of the difference once such a loss of light counts little tells more.
    usual = 0.0
    for plane in range(3):
        usual += (cloth[plane] - NO_LIGHT[plane]) ** 2
    usual = max(sqrt(usual), 1e-6)
    mix = np.empty((3, rays))
    for ray in range(rays):
        lighter, square = 0.0, 0.0
        for plane in range(3):
            difference = whole[plane] - cloth[plane]
            mix[plane, ray] = rim[plane, ray] - cloth[plane] + WHOLE_SHARE * difference if two_colours else difference
            lighter += mix[plane, ray] * (cloth[plane] - NO_LIGHT[plane]) / usual
        for plane in range(3):
            mix[plane, ray] -= shadow_share * min(lighter, 0.0) * (cloth[plane] - NO_LIGHT[plane]) / usual
            square += mix[plane, ray] ** 2
        for plane in range(3):
            mix[plane, ray] /= max(sqrt(square), 1e-6)
    return mix


@compiled
def mixed(samples: Vector, mix: Vector) -> Vector:
    """The samples (rays, samples) in the mix of planes of each ray."""
    _, rays, count = samples.shape
    profile = np.zeros((rays, count))
    for plane in range(3):
        for ray in range(rays):
            for k in range(count):
                profile[ray, k] += mix[plane, ray] * samples[plane, ray, k]
    return profile


@compiled
def shading(samples: Vector, mix: Vector, fractions: Vector, reach: float) -> Vector:
    """How much a ball of even colour darkens from each sample to the next along the rays (rays,), in their mix.

    Lit from above, it darkens towards the camera of a slanting view, where it shows its underside, and does so up to
    its outline. Light takes the same share of all planes, so that the luma tells it; hues are kept too coarsely. Half a
    smear of ``reach`` radii leaves less that is inside; nothing is told by fewer than ``LEAST_INSIDE`` samples.
    """
    _, rays, count = samples.shape
    inside = 0
    while inside < count and fractions[inside] < SHADED - reach:
        inside += 1
    darker = np.zeros(rays)
    if inside < LEAST_INSIDE:
        return darker
    slopes, falls, around = np.empty(rays), np.empty(inside - 1), np.empty(2 * SHADED_ALIKE + 1)
    for ray in range(rays):
        for k in range(inside - 1):
            falls[k] = samples[0, ray, k] - samples[0, ray, k + 1]
        # The middle one along each ray, so that the border of a pattern does not count.
        slopes[ray] = middle_of(falls)
    for ray in range(rays):
        for k in range(len(around)):
            around[k] = slopes[(ray + k - SHADED_ALIKE) % rays]
        share, luma = 0.0, 0.0
        for plane in range(3):
            colour = -NO_LIGHT[plane]
            for k in range(inside):
                colour += samples[plane, ray, k] / inside
            share += mix[plane, ray] * colour
            luma = colour if plane == 0 else luma
        darker[ray] = max(middle_of(around) * share / max(luma, LEAST_LIGHT), 0.0)
    return darker


class Window(NamedTuple):
    """Where along each ray (rays,) the edge is looked for and how far round it, in radii; what a fall of brightness
    from each sample to the next counts there (rays, samples - 1), by what lies farther out; how much of a fall inside
    is the ball's ``shading`` (rays,), and over which way it ends at the outline, in radii."""

    middle: Vector
    width: float
    counts: Vector
    shading: Vector
    ends: float


class Edges(NamedTuple):
    """Where along each ray (rays,) the brightness falls, in radii; by how much, in grey levels, 0 for no edge; what it
    counts."""

    places: Vector
    contrast: Vector
    counts: Vector


@compiled
def edges_anywhere(profile: Vector, fractions: Vector, near_edge: float) -> Edges:
    """The edges of a ``profile`` (rays, samples); all falls count, wherever they are."""
    rays, count = profile.shape
    falls = np.zeros((rays, count - 1))
    for ray in range(rays):
        for k in range(count - 1):
            falls[ray, k] = max(profile[ray, k] - profile[ray, k + 1], 0.0)
    return _edges(falls, np.ones((rays, count - 1)), fractions, near_edge)


@compiled
def edges_in(window: Window, profile: Vector, fractions: Vector, near_edge: float) -> Edges:
    """The edges of a ``profile`` (rays, samples) near where they are expected."""
    rays, count = profile.shape
    falls = np.zeros((rays, count - 1))
    for ray in range(rays):
        for k in range(count - 1):
            away = (fractions[k] + fractions[k + 1]) / 2 - window.middle[ray]
            inside = min(max(0.5 - away * (0.5 / window.ends), 0.0), 1.0)
            fall = profile[ray, k] - profile[ray, k + 1] - window.shading[ray] * inside
            if fall > 0:
                away /= window.width
                falls[ray, k] = fall * exp(-0.5 * away * away)
    return _edges(falls, window.counts, fractions, near_edge)


@compiled
def _edges(falls: Vector, counts: Vector, fractions: Vector, near_edge: float) -> Edges:
    """The edge of each ray, by how much it falls from sample to sample and what that counts, (rays, samples - 1)."""
    rays, steps = falls.shape
    places, contrast, counted = np.ones(rays), np.zeros(rays), np.empty(rays)
    counting = np.empty(steps)
    for ray in range(rays):
        # The steepest place that counts first, then the centre of mass around it, so that a pattern inside the ball
        # does not pull. The squares let the edge itself count, and little of the shading that falls towards it from
        # inside.
        for k in range(steps):
            counting[k] = falls[ray, k] * counts[ray, k]
        steepest, most = 0, -1.0
        for k in range(steps):
            total = 0.0
            for beside in range(k - STEEP_OVER, k + STEEP_OVER + 1):
                # Mirrored at the ends.
                total += counting[steps - 1 - abs(steps - 1 - abs(beside))]
            if total > most:
                steepest, most = k, total
        there = (fractions[steepest] + fractions[steepest + 1]) / 2
        squares, moment = 0.0, 0.0
        for k in range(steps):
            middle = (fractions[k] + fractions[k + 1]) / 2
            if abs(middle - there) < near_edge:
                fall = falls[ray, k]
                contrast[ray] += fall
                squares += fall * fall
                moment += fall * fall * middle
        if contrast[ray] > 0:
            places[ray] = moment / max(squares, 1e-9)
        counted[ray] = counts[ray, steepest]
    return Edges(places, contrast, counted)
