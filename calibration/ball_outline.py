"""A ball's radius from the profile of light across its outline, through the blur of the picture.

The place of steepest change is biased: the limb of a ball is dim, its rim mirrors the cloth, the cloth beside it stands
in the ball's shadow, and all of it is blurred by about a pixel. So the profile itself is modelled, ray by ray in nearly
linear light (``outline_light``), both sides cut at the outline of a sphere that lies on the cloth, then blurred:

- Inside, a level and the limb's fall of light, c = sqrt(1 - s^2), s being the share of the radius; and a slope along s,
  of one strength and direction for the whole ball. The light of a matt sphere goes with its normal, whose parts towards
  the camera and along the ray are c and s; lit from above and seen from a slant its underside is dark.
- Over it the gloss: towards the rim a growing share of the light (Schlick's form of Fresnel's law, Comput. Graph. Forum
  13, 1994, cited from memory) is not the ball's but that of the cloth beside it. Without it glossy balls are measured a
  hundredth part too small, for the rim itself looks like cloth.
- Outside, a level and a slope.

The levels are linear unknowns and drop out (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973, cited
from memory); place, radius and blur are found over all rays at once.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calibration.camera import Camera, Matrix
from calibration.cloth import Picture
from calibration.sphere import outline_px
from calibration.strips import Linear
from calibration.table import Vector

SECTORS, RAYS_PER_SECTOR = 24, 3
STEP_PX = 0.25
# Stretch of each ray, in pixels and shares of the radius from the outline: the smaller share and the larger.
INSIDE_SHARE, OUTSIDE_SHARE = 0.45, 0.40
LEAST_REACH_PX, MOST_REACH_PX = 2.5, 7.0
# Blur: usual sd of a camera's picture with its compression, and how far it may be from that (pixels).
USUAL_BLUR_PX, BLUR_SD_PX = 0.65, 0.15
BLUR_RANGE_PX = (0.3, 2.0)
REWEIGHTINGS = 3
# What is mirrored where a resin ball faces the camera (refractive index about 1.5, from memory), and how much of what
# Fresnel's law says is taken: some balls are new, some are worn dull, and half is wrong by no more than half a
# hundredth of the radius for either.
FACING_GLOSS, GLOSS = 0.04, 0.5
# The parts of a profile are tabulated up to so many radii, in steps of a radius by so many.
REACH_RADII, STEPS = 4, 2000
# Share of a profile, from its inner end, that tells how light the ball is there.
INNER_SHARE = 0.25
# Between encoded values (1) and linear light (2.2): see ``outline_light``.
LIGHT_EXPONENT = 1.3
# Noise of a picture with its compression, a share of white in encoded values; how far the model of the profile is off,
# as a share of the contrast; a sector that misfits by more than so many times both counts half.
NOISE = 3 / 255
MODEL_SHARE = 0.04
MOST_MISFIT = 1.5
# What is left of the profiles, over how steep the outline is, tells how far an edge seems off its place. The radius
# errs by so many times that, since all of it may point one way: coarse coding puts edges where its blocks end. Seen on
# rendered films from fine to coarse; a lens's blur, which the model knows, leaves little of it.
MISFIT_SHARE = 3.6
# Light below this share of white is as noisy as at it.
DARK_LIGHT = 0.01
# Ridge that keeps levels finite where a profile does not tell them apart.
RIDGE = 1e-6


def _parts() -> NDArray[np.float64]:
    """Integrals from the middle outwards of the parts of a profile, in radii, and what the next step adds to them,
    (steps, 5, 2): of the ball its level, fall and slope; of the cloth its level and slope.

    Summed first, since what a step of a ray holds of a rim that is much narrower than the step must not jump.
    """
    s = (np.arange(REACH_RADII * STEPS) + 0.5) / STEPS
    ball, limb = (s < 1).astype(float), np.sqrt(np.clip(1 - s**2, 0, 1))
    mirrored = GLOSS * ball * (FACING_GLOSS + (1 - FACING_GLOSS) * (1 - limb) ** 5)
    own, cloth = ball - mirrored, 1 - ball
    parts = np.stack([own, own * limb, own * (s - 1), cloth + mirrored, cloth * (s - 1)])
    upto = np.pad(np.cumsum(parts, axis=1) / STEPS, ((0, 0), (1, 0))).T
    return np.stack([upto, np.diff(upto, axis=0, append=upto[-1:])], axis=2)


PARTS = _parts()
SLOPE, LEVELS = 2, [0, 1, 3, 4]
# Slopes are taken over so much of the unknowns' scale, and of the outline's place.
STEP_SHARE, EDGE_STEP_PX = 1e-3, 1e-3


@dataclass(frozen=True)
class BallOutline:
    """Place (2,) and radius, metres, of a sphere on the cloth, the radius's sd from noise, the blur found, the share
    of the rays that agree, the contrast at the outline (levels of noise-like light: see ``NOISE``), and the radius's
    sd, metres, from what the model leaves of the profiles (``MISFIT_SHARE``)."""

    place_m: Vector
    radius_m: float
    sd_m: float
    radius_px: float
    blur_px: float
    agreement: float
    contrast: float
    misfit_sd_m: float = 0.0


@dataclass(frozen=True)
class _Profiles:
    """Light (sectors, k, 3) at ``reach_px`` (k,) from ``middle_px`` in directions ``angle_rad`` (sectors,)."""

    middle_px: Vector
    angle_rad: Vector
    reach_px: Vector
    light: NDArray[np.float64]
    weight: NDArray[np.float64]


def outline_light(picture: Picture) -> Linear:
    """Brightness (h, w, 1), 0 to 1, in which outlines are measured.

    Colour is left out: films keep it at half the resolution. A camera blurs linear light, but then sharpens, shrinks
    and compresses its encoded values, which puts half-way crossings between the two; so the exponent does too.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    table = ((np.arange(256) / 255.0) ** LIGHT_EXPONENT).astype(np.float32)
    return np.asarray(cv2.LUT(grey, table), np.float32)[..., None]


def fit_outline(
    light: Linear,
    camera: Camera,
    place_m: Vector,
    radius_m: float,
    *,
    blur_px: float = USUAL_BLUR_PX,
    blur_sd_px: float = BLUR_SD_PX,
) -> BallOutline | None:
    """Fit a sphere on the cloth near a first guess; None when the profiles do not show one.

    ``light`` is from ``outline_light``; ``blur_px`` is what the picture's blur is taken to be, within its sd.
    """
    profiles = _profiles(light, camera, place_m, radius_m)
    if profiles is None:
        return None
    unknowns = np.array([*place_m, radius_m, blur_px])
    scale = np.array([0.1 * radius_m] * 3 + [0.2])
    low = np.array([-np.inf, -np.inf, 0.3 * radius_m, BLUR_RANGE_PX[0]])
    high = np.array([np.inf, np.inf, 3 * radius_m, BLUR_RANGE_PX[1]])
    trust = noise = np.ones(SECTORS)

    def residual(scaled: Vector) -> Vector:
        now = unknowns + scale * scaled
        misfit = _explained(profiles, camera, now, trust / noise**2).misfit
        return np.append((misfit * (np.sqrt(trust) / noise)[:, None]).ravel(), (now[3] - blur_px) / blur_sd_px)

    def slopes(scaled: Vector) -> Matrix:
        now = unknowns + scale * scaled
        steep = _explained(profiles, camera, now, trust / noise**2, scale * STEP_SHARE).slopes / STEP_SHARE
        own = (steep * (np.sqrt(trust) / noise)[:, None]).reshape(len(steep), -1)
        return np.vstack([own.T, [0.0, 0.0, 0.0, scale[3] / blur_sd_px]])

    for _ in range(REWEIGHTINGS):
        now = _explained(profiles, camera, unknowns, trust / noise**2)
        noise = np.hypot(NOISE, MODEL_SHARE * now.contrast)
        trust = 1 / (1 + (np.sqrt(np.mean(now.misfit**2, axis=1)) / (MOST_MISFIT * noise)) ** 4)
        bounds = ((low - unknowns) / scale, (high - unknowns) / scale)
        start = np.clip(np.zeros(4), *bounds)
        solved = least_squares(residual, start, slopes, bounds, ftol=1e-4, max_nfev=20)
        unknowns = unknowns + scale * solved.x
    jacobian = np.asarray(solved.jac, dtype=float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    # Samples along a ray are finer than the blur, which makes neighbours err alike.
    sd = float(np.sqrt(covariance[2, 2] * max(1.0, 2.5 * unknowns[3] / STEP_PX))) * scale[2]
    radius_px = float(_outline_radius_px(profiles, camera, unknowns).mean())
    now = _explained(profiles, camera, unknowns, trust / noise**2)
    contrast = now.contrast
    steep = float(np.median(contrast)) / (np.sqrt(2 * np.pi) * unknowns[3])
    left_px = float(np.sqrt(np.mean(trust[:, None] * now.misfit**2))) / max(steep, NOISE)
    return BallOutline(
        place_m=unknowns[:2],
        radius_m=float(unknowns[2]),
        sd_m=sd,
        radius_px=radius_px,
        blur_px=float(unknowns[3]),
        agreement=float(np.mean(trust)),
        contrast=float(np.median(contrast)),
        misfit_sd_m=MISFIT_SHARE * left_px / radius_px * float(unknowns[2]),
    )


def _profiles(light: Linear, camera: Camera, place_m: Vector, radius_m: float) -> _Profiles | None:
    edge = outline_px(camera, np.array([*place_m, radius_m]), radius_m, 48)
    middle = edge.mean(axis=0)
    radius_px = float(np.linalg.norm(edge - middle, axis=1).mean())
    inside = np.clip(INSIDE_SHARE * radius_px, LEAST_REACH_PX, MOST_REACH_PX)
    outside = np.clip(OUTSIDE_SHARE * radius_px, LEAST_REACH_PX, MOST_REACH_PX)
    reach = np.arange(max(radius_px - inside, 0.5), radius_px + outside, STEP_PX)
    angle = np.arange(SECTORS * RAYS_PER_SECTOR) * 2 * np.pi / (SECTORS * RAYS_PER_SECTOR)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    where = (middle + reach[None, :, None] * ray[:, None, :]).astype(np.float32)
    if where.min() < 2 or (where.reshape(-1, 2).max(axis=0) > [light.shape[1] - 3, light.shape[0] - 3]).any():
        return None
    colour = cv2.remap(light, where[..., 0], where[..., 1], cv2.INTER_CUBIC).astype(float)
    colour = colour.reshape(SECTORS, RAYS_PER_SECTOR, len(reach), light.shape[2]).mean(axis=1)
    # Noise even in the encoded picture is uneven in this light: d(v^g) = g v^(g - 1) dv. One weight a sector, or a
    # profile's dark side would outweigh its bright one.
    level = np.maximum(colour.mean(axis=1, keepdims=True), DARK_LIGHT)
    weight = np.broadcast_to(level ** (1 / LIGHT_EXPONENT - 1) / LIGHT_EXPONENT, colour.shape)
    return _Profiles(middle, angle.reshape(SECTORS, -1).mean(axis=1), reach, colour, weight)


def _outline_radius_px(profiles: _Profiles, camera: Camera, unknowns: Vector) -> Vector:
    """Where the sphere's outline crosses each sector's ray, pixels from the middle."""
    x, y, radius = unknowns[:3]
    edge = outline_px(camera, np.array([x, y, radius]), radius, 48) - profiles.middle_px
    angle = np.arctan2(edge[:, 1], edge[:, 0])
    order = np.argsort(angle)
    return np.interp(profiles.angle_rad, angle[order], np.hypot(edge[:, 0], edge[:, 1])[order], period=2 * np.pi)


@dataclass(frozen=True)
class _Explained:
    """What the best levels for an outline and a blur leave: the weighted ``misfit`` (sectors, k), how it ``slopes``
    with the unknowns (4, sectors, k), and the ``contrast`` (sectors,) across the outline."""

    misfit: Matrix
    slopes: NDArray[np.float64]
    contrast: Vector


def _explained(
    profiles: _Profiles, camera: Camera, unknowns: Vector, counts: Vector, steps: Vector | None = None
) -> _Explained:
    """Profiles explained by the best levels for place, radius and blur (4,); slopes for ``steps`` (4,) of those, where
    they are given.

    ``counts`` (sectors,) is what each sector counts for the slope that they share. The slopes are those of the parts
    alone, what levels can make up for taken out (Kaufman, BIT Numer. Math. 15, 1975, cited from memory): the gradient
    is exact.
    """
    edge, blur_px = _outline_radius_px(profiles, camera, unknowns), float(unknowns[3])
    weight = profiles.weight[..., 0]
    parts = _bases(edge, profiles.reach_px, blur_px) * weight[..., None]
    seen, slope = profiles.light[..., 0] * weight, parts[..., SLOPE]
    design = parts[..., LEVELS]
    across = design.swapaxes(-1, -2)
    normal = across @ design
    normal += RIDGE * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(len(LEVELS))
    both = np.stack([seen, slope], axis=-1)
    levels = np.linalg.solve(normal, across @ both)
    left = both - design @ levels
    bright = _brightness_along(profiles)
    share = _shared_slope(bright, left[..., :1], left[..., 1], counts)
    misfit = left[..., 0] - share * left[..., 1]
    best = levels[..., 0] - share * levels[..., 1]
    contrast = np.abs((best[:, 0] + 0.5 * best[:, 1] - best[:, 2]) * weight.mean(axis=1))
    if steps is None:
        return _Explained(misfit, np.empty((0, *misfit.shape)), contrast)
    amounts = np.insert(best, SLOPE, share[:, 0], axis=1)[..., None]
    told = (parts @ amounts)[..., 0]

    def changed(by_px: float, blur_by_px: float) -> Matrix:
        moved = _bases(edge + by_px, profiles.reach_px, blur_px + blur_by_px) * weight[..., None]
        return np.asarray((moved @ amounts)[..., 0] - told)

    wider = changed(EDGE_STEP_PX, 0.0) / EDGE_STEP_PX
    edges = [_outline_radius_px(profiles, camera, unknowns + step) - edge for step in np.diag(steps)[:3]]
    change = np.stack([*(wider * by[:, None] for by in edges), changed(0.0, float(steps[3]))], axis=-1)
    change = change - design @ np.linalg.solve(normal, across @ change)
    change = change - _shared_slope(bright, change, left[..., 1], counts)[:, None] * left[..., 1:]
    return _Explained(misfit, -change.transpose(2, 0, 1), contrast)


def _bases(edge_px: Vector, reach_px: Vector, blur_px: float) -> NDArray[np.float64]:
    """Parts of profiles (sectors, k, 5) whose outline is at ``edge_px`` (sectors,), each step's mean, blurred."""
    margin = int(np.ceil(3 * blur_px / STEP_PX))
    ends = reach_px[0] + STEP_PX * (np.arange(-margin, len(reach_px) + margin + 1) - 0.5)
    at = np.clip(ends / edge_px[:, None] * STEPS, 0, len(PARTS) - 1.001)
    low = at.astype(int)
    part = PARTS[low]
    upto = part[..., 0] + (at - low)[..., None] * part[..., 1]
    bases = (upto[:, 1:] - upto[:, :-1]) * (edge_px / STEP_PX)[:, None, None]
    kernel = np.exp(-0.5 * (STEP_PX * np.arange(-margin, margin + 1) / blur_px) ** 2)
    kernel /= kernel.sum()
    blurred = cv2.filter2D(bases, -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred[:, margin : margin + len(reach_px)])


def _brightness_along(profiles: _Profiles) -> Matrix:
    """How bright the ball is on each ray, right and down: (sectors, 2)."""
    inner = max(1, round(INNER_SHARE * len(profiles.reach_px)))
    turned = np.stack([np.cos(profiles.angle_rad), np.sin(profiles.angle_rad)], axis=-1)
    return np.asarray(profiles.light[:, :inner, 0].mean(axis=1)[:, None] * turned)


def _shared_slope(bright: Matrix, left: NDArray[np.float64], slope: Matrix, counts: Vector) -> Matrix:
    """Slope of the ball's light along each ray (sectors, n): one direction for all, a share of its brightness.

    ``left`` (sectors, k, n) is what each sector's levels leave of n things seen, ``slope`` (sectors, k) of a slope.
    """
    sums = counts[:, None] * (slope[:, None] @ np.concatenate([left, slope[..., None]], axis=2))[:, 0]
    normal = bright.T @ (sums[:, -1:] * bright)
    normal += RIDGE * (np.trace(normal) + RIDGE) * np.eye(2)
    return np.asarray(bright @ np.linalg.solve(normal, bright.T @ sums[:, :-1]))
