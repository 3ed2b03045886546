"""The place of a ball that hardly differs from the cloth, by fitting how it is lit to the pixels round it.

The pixels, as shares of the empty table's light, are fitted by a ball of known size in a light of any make-up
(``vision.faint.lit_ball``): its place, how light it is beside the cloth, and the light itself, which cannot be negative
(non-negative least squares, Lawson & Hanson 1974; the place by Gauss and Newton's steps over what is left, variable
projection, Golub & Pereyra 1973). So a shadow cannot be taken for a part of the ball, or the ball for a shadow, unless
the light that this takes explains the rest too; how surely the place is known comes out with all of that left open.
"""

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.faint.lit_ball import COARSE, BallGeometry, Columns, ball_geometry, lit
from vision.film.planes import BLACK, Plane
from vision.reduced import Picture, Reduction

# The curve of brightness of films, about: light is level to this power.
CURVE = 2.2
# Pixels are averaged until the ball's radius is about so many, and looked at as far as so many radii from the middle.
SAMPLED_RADIUS, REACH_RADII = 6.0, 2.5
# Noise: in grey levels, and as a share of the light, the cloth's own texture.
NOISE, TEXTURE = 2.0, 0.015
# A lamp's reflection: so many grey levels above what lies round it.
GLINT = 10
# The clear cloth is measured from so far out, in radii; it may differ from the empty table's by so much.
CLEAR_RADII, CLEAR_RANGE = 2.0, 0.12
# The outline is spread over so many sampled pixels.
BLUR = 1.2
# How light the ball may be beside the cloth.
SHARES = (0.05, 2.0)
# All light together gives the clear cloth; held as if it were measured this well.
WHOLE_WEIGHT = 100.0
# Steps: how many at most, how long in radii at most, when it is settled.
STEPS, LONGEST_STEP, SETTLED = 8, 0.25, 0.01
# Of the places that the search starts from so many are followed to the end.
SETTLED_STARTS = 2
# A first try that leaves more than this share of what differs from the empty table is not followed.
HOPELESS_SHARE = 0.5
# Misfits of more than so many standard deviations count less and less (Huber).
HUBER = 2.5
# Neighbouring misfits are alike (blocks of the compression): what they would give for the place's variance if they were
# not is multiplied by this.
ALIKE = 8.0
# What the light's make-up and the ball's gloss leave open of the place whatever the pixels say, in radii.
FLOOR_RADII = 0.035
# Beyond so many radii every other pixel will do.
THINNED_RADII = 1.4


class Patch(NamedTuple):
    """Pixels round a place: where (n, 2), their light as shares of the empty table's (n,), its sd (n,), the spread of
    an outline in pixels."""

    px: Vector
    share: Vector
    sd: Vector
    blur_px: float


@dataclass(frozen=True)
class LitFit:
    """A ball fitted.

    Attributes
    ----------
    at_px, at_m : (2,) where its centre is seen, and lies.
    sd_m : standard deviation of either coordinate.
    share : its lightness beside the cloth's: 1 for one of its very colour.
    misfit : chi-square for each pixel.
    difference : the same for what differs from the empty table.
    told : the share of what differs from the empty table, in chi-square, that the ball explains.
    """

    at_px: Vector
    at_m: Vector
    sd_m: float
    share: float
    misfit: float
    difference: float
    told: float


class _At(NamedTuple):
    cost: float
    middle_px: Vector
    share: float
    light: Vector
    left: Vector
    weights: Vector


def patch_round(
    luma: Plane, empty: Picture, reduction: Reduction, gain: float, at_px: Vector, radius_px: float
) -> Patch | None:
    """The pixels round a place; None where they leave the picture.

    ``empty`` (h, w) is the reduced luma of the empty table, whose light is ``gain`` times that now.
    """
    size = max(1, round(radius_px / SAMPLED_RADIUS))
    half = int(np.ceil(REACH_RADII * radius_px / size))
    side = 2 * half + 1
    left, top = np.rint(at_px - (side * size - 1) / 2).astype(int).tolist()
    height, width = luma.shape
    if left < 0 or top < 0 or left + side * size > width or top + side * size > height:
        return None
    seen = cv2.resize(
        luma[top : top + side * size, left : left + side * size], (side, side), None, 0, 0, cv2.INTER_AREA
    )
    glint = seen > cv2.add(cv2.medianBlur(seen, 5), GLINT)
    glint = cv2.dilate(glint.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    steps = np.arange(side) * size + (size - 1) / 2
    px = np.stack(np.meshgrid(left + steps, top + steps), axis=2).reshape(-1, 2)
    on_cloth = reduction.reduced_px(px).astype(np.float32).reshape(side, side, 2)
    cloth = cv2.remap(empty, on_cloth, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    clear = np.maximum((cloth.ravel() - BLACK) * gain, 1.0)
    ratio = np.maximum((seen.ravel() - BLACK) / clear, 0.02)
    away = np.hypot(*(px - at_px).T) / radius_px
    round_it = (away > CLEAR_RADII) & (away < REACH_RADII)
    usual = float(np.clip(np.median(ratio[round_it]), 1 - CLEAR_RANGE, 1 + CLEAR_RANGE))
    ratio /= usual
    slope = np.maximum(CURVE * ratio ** (CURVE - 1), 0.4)
    sd = slope * np.hypot(NOISE / size**0.5, TEXTURE * clear) / clear
    chequered = (np.add.outer(np.arange(side), np.arange(side)) % 2 == 0).ravel()
    kept = (away < REACH_RADII) & ~glint.ravel() & (chequered | (away < THINNED_RADII))
    return Patch(px[kept], ratio[kept] ** CURVE, sd[kept], BLUR * size)


def fit_lit(patch: Patch, plane: BallPlane, starts_m: Vector) -> LitFit | None:
    """The ball that the pixels show, searched for from places (n, 2), metres; None when there is none to be had."""
    geometry = ball_geometry(plane, starts_m[0])
    tried = [_from_here(patch, geometry, plane.pixel(start_m)) for start_m in starts_m]
    tried.sort(key=lambda at: at.cost)
    nothing = float((((patch.share - 1) / patch.sd) ** 2).sum())
    # Misfits count less the larger they are, so this passes all that may come to explain most of it.
    if tried[0].cost > HOPELESS_SHARE * nothing:
        return None
    starts = [_solve(patch, geometry, at.middle_px, at.share, at.weights) for at in tried[:SETTLED_STARTS]]
    best = min((_settle(patch, geometry, at) for at in starts), key=lambda at: at.cost)
    far_px = np.hypot(*(best.middle_px - geometry.middle_px))
    if not far_px < 1.5 * geometry.radius_px or not SHARES[0] < best.share < SHARES[1]:
        return None
    at_m, right, below = plane.places_m(best.middle_px + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    (ax, ay), (bx, by) = right - at_m, below - at_m
    slopes = _slopes(patch, geometry, best)
    misfit = float((best.left**2 * best.weights).sum() / len(best.left))
    columns = slopes * np.sqrt(best.weights)[:, None]
    try:
        held = np.zeros((1, columns.shape[1]))
        held[0, 3:] = WHOLE_WEIGHT
        columns = np.vstack([columns, held])
        spread = np.linalg.inv(columns.T @ columns + 1e-9 * np.eye(columns.shape[1]))
    except np.linalg.LinAlgError:
        return None
    floor_px2 = (FLOOR_RADII * geometry.radius_px) ** 2
    variance_px2 = max(misfit, 1.0) * (ALIKE * spread[:2, :2] + floor_px2 * np.eye(2))
    turn = np.array([[ax, bx], [ay, by]])
    sd_m = float(np.sqrt(np.trace(turn @ variance_px2 @ turn.T) / 2))
    told = 1 - float((best.left**2).sum()) / max(nothing, 1e-9)
    return LitFit(best.middle_px, at_m, sd_m, best.share, misfit, nothing / len(best.left), told)


def _model(
    patch: Patch, geometry: BallGeometry, middle_px: Vector, share: float, atoms: NDArray[np.intp] | None = None
) -> tuple[Columns, Columns, Columns]:
    """What the light makes of the pixels (n, atoms), what they are without the ball's part (n,), and cover * ball."""
    cover, ball, shade = lit(geometry, patch.px - middle_px, patch.blur_px, atoms)
    on_ball = cover[:, None] * ball
    return np.float32(share) * on_ball - (1 - cover)[:, None] * shade, 1 - cover, on_ball


def _solve(
    patch: Patch,
    geometry: BallGeometry,
    middle_px: Vector,
    share: float,
    weights: Vector,
    atoms: NDArray[np.intp] | None = None,
) -> _At:
    """The light, of some or all parts, that explains the pixels best, given the ball."""
    made, clear, _ = _model(patch, geometry, middle_px, share, atoms)
    by = np.sqrt(weights) / patch.sd
    whole = np.full((1, made.shape[1]), WHOLE_WEIGHT)
    light, _ = nnls(np.vstack([made * by[:, None], whole]), np.append((patch.share - clear) * by, WHOLE_WEIGHT))
    left = (patch.share - clear - made @ light) / patch.sd
    off = np.abs(left)
    cost = float(np.where(off < HUBER, off * off, HUBER * (2 * off - HUBER)).sum())
    return _At(cost, middle_px, share, light, left, np.minimum(1, HUBER / np.maximum(off, 1e-9)))


def _from_here(patch: Patch, geometry: BallGeometry, middle_px: Vector) -> _At:
    inside = np.hypot(*(patch.px - middle_px).T) < 0.8 * geometry.radius_px
    share = float(np.clip(np.percentile(patch.share[inside], 80), 0.3, 1.6)) if inside.any() else 1.0
    return _solve(patch, geometry, middle_px, share, np.ones(len(patch.share)), COARSE)


def _slopes(patch: Patch, geometry: BallGeometry, at: _At) -> Vector:
    """How the pixels, in their sds, change with place (two columns), share, and the light that there is."""
    atoms = np.flatnonzero(at.light > 1e-4)
    light, step = at.light[atoms], 0.03 * geometry.radius_px
    made, clear, on_ball = _model(patch, geometry, at.middle_px, at.share, atoms)
    here, moved = made @ light + clear, []
    for way in ((step, 0.0), (0.0, step)):
        there, uncovered, _ = _model(patch, geometry, at.middle_px + way, at.share, atoms)
        moved.append((there @ light + uncovered - here) / step)
    return np.column_stack([*moved, on_ball @ light, made]) / patch.sd[:, None]


def _settle(patch: Patch, geometry: BallGeometry, at: _At) -> _At:
    """Steps to the place, and lightness, that leave the least."""
    for _ in range(STEPS):
        slopes = _slopes(patch, geometry, at)
        by = np.sqrt(at.weights)
        held = np.zeros((1, slopes.shape[1]))
        held[0, 3:] = WHOLE_WEIGHT
        step = np.linalg.lstsq(np.vstack([slopes * by[:, None], held]), np.append(at.left * by, 0.0), rcond=1e-6)[0]
        go = step[:2] * min(1.0, LONGEST_STEP * geometry.radius_px / max(float(np.hypot(*step[:2])), 1e-9))
        share = float(np.clip(at.share + np.clip(step[2], -0.3, 0.3), *SHARES))
        after = _solve(patch, geometry, at.middle_px + go, share, at.weights)
        if after.cost > at.cost:
            after = _solve(patch, geometry, at.middle_px + go / 3, at.share + (share - at.share) / 3, at.weights)
            if after.cost > at.cost:
                break
        at = after
        if np.hypot(*go) < SETTLED * geometry.radius_px:
            break
    return at
