"""The centre of a ball from its outline.

Shading, highlight and shadow move the middle of a ball's blob by up to a couple of pixels; its outline they leave
where it is. The ball's size and the camera being known, the outline can only shift: along rays from the projected
centre the edge is found as the centre of mass of the brightness gradient, and the shift that brings the predicted
outline onto the edges is found by weighted least squares with Tukey's biweight (Beaton & Tukey, Technometrics 16,
1974). A ball in motion is smeared over its path during the exposure; the smear is even, so the gradient's centre of
mass stays on the outline of the ball at mid-exposure.
"""

from dataclasses import dataclass
from math import hypot, sqrt
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.sphere import centre_and_outline_px
from calibration.table import Vector
from vision.clip import Frame

RAYS = 36
NEUTRAL = 128.0
# The stretch of each ray that is searched, as fractions of the ball's radius, and its number of samples.
INNER, OUTER, SAMPLES = 0.55, 1.45, 36
# The gradient is gathered this far round the steepest place, in radii, and half a smear farther: no farther, since on
# its dark side a ball is shaded nearly as steeply just inside its outline.
NEAR_EDGE = 0.11
# A ball's rim, as fractions of its radius; how far colours along it must differ (grey levels, over the three planes)
# for a ball of two colours; how much of the whole ball's colour still counts then.
RIM, TWO_COLOURS, WHOLE_SHARE = (0.62, 0.86), 60.0, 0.25
# Y, U, V of black, towards which a shadow goes; how much less its direction counts (noise of 10 grey levels against
# shadows of 30, in Fisher's linear discriminant).
BLACK, SHADOW_SHARE = np.array([16.0, 128.0, 128.0], np.float32), np.float32(0.9)
# From the second round on the edge is looked for near its predicted place: a Gaussian of this width, in radii.
WINDOW = 0.14
# Neighbouring rays are never taken to be more alike than this.
MOST_ALIKE = 0.95
# Edge weight: contrast, in grey levels, at which a ray counts half.
HALF_CONTRAST = 12.0
TUKEY_CUTOFF = 4.0
# Rays are weighed anew so often, and so often in a later round, which goes on from the weights of the one before.
REWEIGHTINGS, LATER_REWEIGHTINGS = 3, 2
# The search is done again round the shifted centre until it shifts no further, and no more than so far once it is
# windowed: of a shift of the window an edge takes over an eighth. The frame is sampled anew only when the centre is so
# far from the middle of the rays that these no longer cut the outline square.
ROUNDS, UNMOVED_PX, SETTLED_PX, OFF_MIDDLE_PX = 3, 0.1, 0.25, 0.7
# What is left of an edge's error when many rays agree: compression and the ball's own pattern (pixels).
FLOOR_SD_PX = 0.06
# How far a whole outline may lie inside or outside the predicted one: blur, the camera's curve of brightness.
OUTLINE_OFFSET_SD_PX = 0.7
_PIXEL_STEPS = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
# Weights for the mean of a ray's first and last samples: the ball and the cloth.
_FIRST_FOUR = np.where(np.arange(SAMPLES) < 4, np.float32(0.25), np.float32(0))
_LAST_FOUR = _FIRST_FOUR[::-1]


@dataclass(frozen=True)
class BallView:
    """A ball found in a frame.

    Attributes
    ----------
    at_m : (2,) centre on the plane of ball centres, metres.
    sd_m : standard deviation of either coordinate, from the edges alone (the camera's part is kept apart).
    at_px : (2,) projected centre.
    colour : (3,) mean Y inside, and U, V of the most coloured quarter.
    support : fraction of the outline on which an edge was found where it should be.
    """

    at_m: Vector
    sd_m: float
    at_px: Vector
    colour: Vector
    support: float


def fit_outline(frame: Frame, plane: BallPlane, guess_m: Vector, smear_m: float = 0.0) -> BallView | None:
    """Find the centre of a ball near ``guess_m`` (2,); None when its outline leaves the picture.

    ``smear_m`` is how far the ball travels during the exposure, so that the search along the rays reaches that far.
    """
    radius_m = plane.radius_m
    pixels = centre_and_outline_px(plane.camera, np.array([*guess_m, radius_m]), radius_m, RAYS)
    centre = pixels[0]
    spokes = pixels[1:] - centre
    lengths = np.hypot(spokes[:, 0], spokes[:, 1])
    units = spokes / lengths[:, None]
    reach = smear_m / 2 / radius_m
    fractions = np.linspace(INNER - min(reach, 0.4), OUTER + reach, SAMPLES).astype(np.float32)
    height, width = frame.y.shape
    margin = float(lengths.max()) * float(fractions[-1]) + 2
    if not (margin < centre[0] < width - margin and margin < centre[1] < height - margin):
        return None
    design = np.column_stack([units, np.ones(RAYS)])
    middle_px, off_px = centre, np.zeros(2)
    samples = _samples(frame, middle_px, spokes, fractions)
    mix = _mix(samples, fractions)
    profile = np.einsum("cr,crs->rs", mix, samples)
    shift: _Shift | None = None
    for _ in range(ROUNDS):
        if abs(off_px[0]) + abs(off_px[1]) > OFF_MIDDLE_PX:
            middle_px, off_px = middle_px + off_px, np.zeros(2)
            profile = np.einsum("cr,crs->rs", mix, _samples(frame, middle_px, spokes, fractions))
        window = None
        if shift is not None:
            # Where the rays cut the outline if it is where the round before put it.
            window = Window(1 + (units @ off_px / lengths).astype(np.float32), WINDOW + reach)
        edges, contrast = _edges(profile, fractions, NEAR_EDGE + reach, window)
        strength = contrast**2 / (contrast**2 + HALF_CONTRAST**2)
        shift = _shift(design, (edges - 1.0) * lengths, strength, shift)
        before, off_px = off_px, shift.step[:2]
        moved = abs(off_px[0] - before[0]) + abs(off_px[1] - before[1])
        if moved < (UNMOVED_PX if window is None else SETTLED_PX):
            break
    at_px = middle_px + off_px
    radius_px = float(np.add.reduce(lengths)) / RAYS
    # Written so that a place that is no number is none either.
    if shift is None or not hypot(*(at_px - centre)) <= 1.5 * radius_px:
        return None
    # The place, and how far a pixel reaches there, in one look-up.
    at_m, right, below = plane.places_m(at_px + _PIXEL_STEPS)
    (ax, ay), (bx, by) = right - at_m, below - at_m
    scale = sqrt(abs(ax * by - ay * bx))
    return BallView(
        at_m=at_m,
        sd_m=scale * hypot(_sd_px(shift, strength), FLOOR_SD_PX),
        at_px=at_px,
        colour=_inside(frame, at_px, radius_px),
        support=int(np.count_nonzero(shift.weights > 0.25)) / RAYS,
    )


def _samples(frame: Frame, centre: Vector, spokes: Vector, fractions: NDArray[np.float32]) -> NDArray[np.float32]:
    """Y, U, V along the rays, (3, rays, samples)."""
    xy = (centre + spokes[:, None] * fractions[:, None]).astype(np.float32)
    half = (xy - np.array(frame.colour_at_px, np.float32)) * np.float32(0.5)
    out = np.empty((3, *xy.shape[:2]), np.float32)
    for plane, places, into in ((frame.y, xy, out[0]), (frame.u, half, out[1]), (frame.v, half, out[2])):
        into[:] = cv2.remap(plane, places, None, cv2.INTER_LINEAR)
    return out


def _mix(samples: NDArray[np.float32], fractions: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weights (3, rays) of the planes that tell ball from cloth best: along the difference of their colours.

    One mix serves a ball of one colour. On a ball of two, the border between them can show more in that mix than the
    outline: there every ray goes by the colour that the ball has at its rim on that ray.
    """
    # Means along the rays of what is inside, outside and at the rim, in one product.
    at_rim = (fractions > RIM[0]) & (fractions < RIM[1])
    means = samples @ np.column_stack([_FIRST_FOUR, _LAST_FOUR, at_rim / np.float32(at_rim.sum())])
    cloth = np.add.reduce(means[..., 1], axis=1) / RAYS
    whole = np.add.reduce(means[..., 0], axis=1) / RAYS - cloth
    rim = means[..., 2]
    difference = np.repeat(whole[:, None], RAYS, axis=1)
    off = rim - (np.add.reduce(rim, axis=1) / RAYS)[:, None]
    if np.abs(off).sum(axis=0).max() > TWO_COLOURS:
        difference = rim - cloth[:, None] + WHOLE_SHARE * whole[:, None]
    # A shadow takes light from the cloth and leaves its hue. Beside a ball that is darker than the cloth it looks like
    # a part of the ball, so what is left of the difference once such a loss of light counts little tells more.
    light = cloth - BLACK
    light = light / max(float(np.sqrt(light @ light)), 1e-6)
    difference = difference - SHADOW_SHARE * np.minimum(light @ difference, 0.0) * light[:, None]
    return difference / np.maximum(np.sqrt((difference**2).sum(axis=0)), 1e-6)


class Window(NamedTuple):
    """Where along each ray (rays,) the edge is looked for, and how far round it, in radii."""

    middle: NDArray[np.float32]
    width: float


def _edges(
    profile: NDArray[np.float32], fractions: NDArray[np.float32], near_edge: float, window: Window | None
) -> tuple[Vector, Vector]:
    """Where along each ray the brightness falls, in radii, and by how much in grey levels; no edge: contrast 0."""
    fall = np.maximum(profile[:, :-1] - profile[:, 1:], np.float32(0))
    middle = (fractions[:-1] + fractions[1:]) / 2
    if window is not None:
        away = (middle - window.middle[:, None]) * np.float32(1 / window.width)
        fall *= np.exp(away * away * np.float32(-0.5))
    # The steepest place first, then the centre of mass around it, so that a pattern inside the ball does not pull. The
    # squares let the edge itself count, and little of the shading that falls towards it from inside.
    smooth = cv2.blur(fall, (5, 1))
    peak = middle[smooth.argmax(axis=1)]
    fall *= np.abs(middle - peak[:, None]) < near_edge
    mass = np.add.reduce(fall, axis=1)
    squares = fall * fall
    place = (squares @ middle) / np.maximum(np.add.reduce(squares, axis=1), np.float32(1e-9))
    return np.where(mass > 0, place, 1.0), mass


class _Shift(NamedTuple):
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


def _shift(design: Vector, residual: Vector, strength: Vector, before: _Shift | None) -> _Shift:
    """The shift that moves the outline onto the edges; ``design`` (rays, 3) are the rays' directions and ones.

    The third unknown, held near zero by a prior, is how far the outline as a whole lies outside the predicted one.
    """
    weights, scale = (strength, 1.0) if before is None else (strength * before.kept, before.scale)
    right, down, _ = design.T
    # What the normal equations sum over the rays, but for the weights.
    terms = np.array([right * right, right * down, down * down, right, down, design[:, 2], *(design.T * residual)])
    for _ in range(REWEIGHTINGS if before is None else LATER_REWEIGHTINGS):
        xx, xy, yy, xo, yo, oo, x, y, o = (terms @ weights).tolist()
        xx, yy, oo = xx + 1e-9, yy + 1e-9, oo + (scale / OUTLINE_OFFSET_SD_PX) ** 2
        # Three unknowns by cofactors: this runs several times for every ball of every frame.
        a, b, c = yy * oo - yo * yo, xo * yo - xy * oo, xy * yo - xo * yy
        e, f, i = xx * oo - xo * xo, xy * xo - xx * yo, xx * yy - xy * xy
        whole = xx * a + xy * b + xo * c
        step = np.array([a * x + b * y + c * o, b * x + e * y + f * o, c * x + f * y + i * o]) / whole
        left = residual - design @ step
        off = np.abs(left)
        sorted_off = off.copy()
        sorted_off.partition(RAYS // 2)
        scale = max(1.4826 * float(sorted_off[RAYS // 2]), 0.1)
        share = np.minimum(off * (1 / (TUKEY_CUTOFF * scale)), 1.0)
        kept = 1 - share * share
        kept *= kept
        weights = strength * kept
    return _Shift(step, left, kept, weights, scale, (a + e) / 2 / whole)


def _sd_px(shift: _Shift, strength: Vector) -> float:
    """Standard deviation of either coordinate of a shift.

    What pulls one ray (a shadow, a stripe, a block of the compression) pulls its neighbours too: the rays of a
    first-order autoregression count as (1 - r) / (1 + r) of their number.
    """
    most = TUKEY_CUTOFF * shift.scale
    pull = np.clip(shift.left, -most, most) * np.sqrt(strength)
    neighbours = float(pull[1:] @ pull[:-1] + pull[0] * pull[-1])
    alike = min(max(neighbours / max(float(pull @ pull), 1e-12), 0.0), MOST_ALIKE)
    return shift.scale * sqrt(shift.variance * (1 + alike) / (1 - alike))


def _inside(frame: Frame, at_px: Vector, radius_px: float) -> Vector:
    """Mean Y over the inner two thirds of the ball, and the U, V of its most coloured quarter.

    A stripe turned with its pole to the camera has the mean colour of a cue ball; its most coloured part has not.
    """
    half = radius_px * 0.6
    x0, x1 = round(at_px[0] - half), round(at_px[0] + half) + 1
    y0, y1 = round(at_px[1] - half), round(at_px[1] + half) + 1
    small = slice(y0 // 2, y1 // 2 + 1), slice(x0 // 2, x1 // 2 + 1)
    uv = np.array([frame.u[small].ravel(), frame.v[small].ravel()], float)
    colourful = np.abs(uv - NEUTRAL).sum(axis=0)
    most = np.argsort(colourful)[-max(uv.shape[1] // 4, 1) :]
    u, v = (np.add.reduce(uv[:, most], axis=1) / len(most)).tolist()
    return np.array([cv2.mean(frame.y[y0:y1, x0:x1])[0], u, v])
