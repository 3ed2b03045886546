"""A ball's radius from the profile of light across its outline, through the blur of the picture.

The place of steepest change is biased: the limb of a bright ball is dim, that of a dark one catches the cloth's light,
the cloth beside it stands in the ball's shadow, and all of it is blurred by about a pixel. So the profile itself is
modelled, ray by ray in nearly linear light (``outline_light``): inside, a level and the limb's fall of light (the root
of 1 - s^2, s being the share of the radius: a matt sphere lit from the camera's side); outside, a level and a slope;
both cut at the outline of a sphere that lies on the cloth, then blurred. The levels are linear unknowns and drop out
(variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973, cited from memory); place, radius and blur are
found over all rays at once.
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
# Between encoded values (1) and linear light (2.2): see ``outline_light``.
LIGHT_EXPONENT = 1.3
# Noise of a picture with its compression, a share of white in encoded values; how far the model of the profile is off,
# as a share of the contrast; a sector that misfits by more than so many times both counts half.
NOISE = 3 / 255
MODEL_SHARE = 0.04
MOST_MISFIT = 1.5
# Light below this share of white is as noisy as at it.
DARK_LIGHT = 0.01
# Ridge that keeps levels finite where a profile does not tell them apart.
RIDGE = 1e-6


@dataclass(frozen=True)
class BallOutline:
    """Place (2,) and radius, metres, of a sphere on the cloth, the radius's sd from noise, the blur found, the share
    of the rays that agree, and the contrast at the outline (levels of noise-like light: see ``NOISE``)."""

    place_m: Vector
    radius_m: float
    sd_m: float
    radius_px: float
    blur_px: float
    agreement: float
    contrast: float


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
    trust = noise = contrast = np.ones(SECTORS)

    def residual(scaled: Vector) -> Vector:
        now = unknowns + scale * scaled
        misfit, _ = _misfit(profiles, camera, now)
        return np.append((misfit * (np.sqrt(trust) / noise)[:, None]).ravel(), (now[3] - blur_px) / blur_sd_px)

    for _ in range(REWEIGHTINGS):
        misfit, contrast = _misfit(profiles, camera, unknowns)
        noise = np.hypot(NOISE, MODEL_SHARE * contrast)
        trust = 1 / (1 + (np.sqrt(np.mean(misfit**2, axis=1)) / (MOST_MISFIT * noise)) ** 4)
        bounds = ((low - unknowns) / scale, (high - unknowns) / scale)
        solved = least_squares(
            residual, np.clip(np.zeros(4), *bounds), bounds=bounds, diff_step=[1e-3] * 4, max_nfev=10
        )
        unknowns = unknowns + scale * solved.x
    jacobian = np.asarray(solved.jac, dtype=float)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    # Samples along a ray are finer than the blur, which makes neighbours err alike.
    sd = float(np.sqrt(covariance[2, 2] * max(1.0, 2.5 * unknowns[3] / STEP_PX))) * scale[2]
    radius_px = _outline_radius_px(profiles, camera, unknowns)
    return BallOutline(
        place_m=unknowns[:2],
        radius_m=float(unknowns[2]),
        sd_m=sd,
        radius_px=float(radius_px.mean()),
        blur_px=float(unknowns[3]),
        agreement=float(np.mean(trust)),
        contrast=float(np.median(contrast)),
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


def _misfit(profiles: _Profiles, camera: Camera, unknowns: Vector) -> tuple[Matrix, Vector]:
    """Weighted misfit (sectors, k) of the best levels for an outline and a blur, and contrast (sectors,) across it."""
    edge = _outline_radius_px(profiles, camera, unknowns)[:, None]
    reach = profiles.reach_px
    margin = int(np.ceil(3 * BLUR_RANGE_PX[1] / STEP_PX))
    wide = reach[0] + STEP_PX * np.arange(-margin, len(reach) + margin)
    ball = np.clip((edge - wide) / STEP_PX + 0.5, 0, 1)
    limb = np.sqrt(np.clip(1 - (wide / edge) ** 2, 0, 1))
    beyond = (wide - edge) / edge
    bases = np.stack([ball, ball * limb, 1 - ball, (1 - ball) * beyond])
    half = int(np.ceil(3 * unknowns[3] / STEP_PX))
    kernel = np.exp(-0.5 * (STEP_PX * np.arange(-half, half + 1) / unknowns[3]) ** 2)
    kernel /= kernel.sum()
    flat = cv2.filter2D(bases.reshape(-1, len(wide)), -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    bases = flat.reshape(4, SECTORS, len(wide))[:, :, margin : margin + len(reach)]
    # (sectors, 3, k, 4): each colour its own weights.
    design = bases.transpose(1, 2, 0)[:, None] * profiles.weight.transpose(0, 2, 1)[..., None]
    seen = (profiles.light * profiles.weight).transpose(0, 2, 1)
    normal = np.einsum("sckb,sckd->scbd", design, design)
    normal += RIDGE * np.trace(normal, axis1=2, axis2=3)[..., None, None] * np.eye(4)
    levels = np.linalg.solve(normal, np.einsum("sckb,sck->scb", design, seen)[..., None])
    weight = profiles.weight.mean(axis=1)
    contrast = np.linalg.norm((levels[..., 0, 0] + 0.5 * levels[..., 1, 0] - levels[..., 2, 0]) * weight, axis=1)
    return (seen - (design @ levels)[..., 0]).reshape(SECTORS, -1), contrast
