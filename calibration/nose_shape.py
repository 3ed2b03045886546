"""Where in the blurred rise of brightness at a nose the nose itself stands.

A half-way crossing is right only where the dark line below the nose is wider than the blur of lens and codec. Seen from
behind a rail the line is thin, never gets fully dark in the picture, and the crossing strays outwards. So the profiles
of all rails of one picture are explained together: lit cushion, dark line, a ramp of half-shade, lit bed, each rail
with its own, all seen through the same blur and the same sharpening of the camera.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from calibration.table import Vector

STEP_PX = 0.125
# The window round the half-way crossing that is explained.
INNER_PX, OUTER_PX = -7.0, 4.0
PAD_PX = 6.0
# Priors: blur of lens, codec and resampling (pixels), sharpening, darkness under a nose as a share of the lit cushion.
BLUR_PX, BLUR_SD_PX = 0.7, 0.3
SHARPENING, SHARPENING_SD = 0.15, 0.15
DARK, DARK_SD, DARK_RAIL_SD = 0.25, 0.15, 0.10
PROFILE_SD = 0.012
SHARED, PER_RAIL = 3, 7


@dataclass(frozen=True)
class NoseOffset:
    """The nose relative to the half-way crossing, pixels outwards, with the error that the whole rail shares."""

    offset_px: float
    sd_px: float


def window_px() -> Vector:
    """Places across the nose, pixels outwards from the half-way crossing, at which profiles are to be given."""
    return np.arange(INNER_PX, OUTER_PX + STEP_PX / 2, STEP_PX)


def nose_offsets(profiles: Sequence[Vector]) -> list[NoseOffset]:
    """Fit the common model to aligned profiles in linear light, one a rail, sampled at ``window_px``.

    Each profile is scaled so that the lit cushion is near 1. NaN is allowed where a profile was not seen.
    """
    count = len(profiles)
    at = window_px()
    seen = [np.isfinite(p) for p in profiles]
    fine = np.arange(INNER_PX - PAD_PX, OUTER_PX + PAD_PX + STEP_PX / 2, STEP_PX)
    pad = round(PAD_PX / STEP_PX)

    scale = np.sqrt(2 * STEP_PX) / PROFILE_SD

    def misfit(k: int, unknowns: Vector) -> Vector:
        """What is left of a rail's profile, and its priors, by one set of unknowns or by some (..., unknowns)."""
        rail = unknowns[..., SHARED + PER_RAIL * k : SHARED + PER_RAIL * (k + 1)]
        model = _blurred(_layout(fine, rail), unknowns[..., 0], unknowns[..., 1])[..., pad:-pad]
        prior = np.stack(
            [
                (rail[..., 2] - unknowns[..., 2]) / DARK_RAIL_SD,
                (rail[..., 1] - 3.0) / 4.0,
                (rail[..., 3] - 1.5) / 3.0,
                rail[..., 0],
            ],
            axis=-1,
        )
        return np.concatenate([(model - profiles[k])[..., seen[k]] * scale, prior], axis=-1)

    def residuals(unknowns: Vector) -> Vector:
        blur, sharp, dark = unknowns[:SHARED]
        priors = [(blur - BLUR_PX) / BLUR_SD_PX, (sharp - SHARPENING) / SHARPENING_SD, (dark - DARK) / DARK_SD]
        return np.concatenate([*(misfit(k, unknowns) for k in range(count)), priors])

    def jacobian(unknowns: Vector) -> Vector:
        """By differences; a rail's own unknowns touch its own profile only."""
        blocks = []
        for k in range(count):
            which = [*range(SHARED), *range(SHARED + PER_RAIL * k, SHARED + PER_RAIL * (k + 1))]
            value, *beside = misfit(k, np.vstack([unknowns, unknowns + 1e-5 * np.eye(len(unknowns))[which]]))
            block = np.zeros((len(value), len(unknowns)))
            block[:, which] = (np.array(beside) - value).T / 1e-5
            blocks.append(block)
        priors = np.zeros((SHARED, len(unknowns)))
        priors[:, :SHARED] = np.diag([1 / BLUR_SD_PX, 1 / SHARPENING_SD, 1 / DARK_SD])
        return np.concatenate([*blocks, priors])

    start = [BLUR_PX, SHARPENING, DARK]
    for profile, ok in zip(profiles, seen, strict=True):
        bed = float(np.median(profile[ok][:8]))
        start += [0.0, _dark_width(at[ok], profile[ok]), DARK, 1.5, bed, 0.0, 1.0]
    low = [0.25, -0.1, 0.0] + [-1.5, 0.1, 0.0, 0.02, 0.0, -0.1, 0.7] * count
    high = [3.0, 1.0, 0.8] + [1.5, 12.0, 0.95, 9.0, 1.5, 0.1, 1.3] * count
    solved = least_squares(
        residuals,
        np.clip(start, np.array(low) + 1e-3, np.array(high) - 1e-3),
        bounds=(low, high),
        jac=jacobian,
        x_scale="jac",
        max_nfev=40,
    )
    at_best = jacobian(solved.x)
    try:
        covariance = np.linalg.inv(at_best.T @ at_best)
    except np.linalg.LinAlgError:
        return [NoseOffset(0.0, 0.2)] * count
    excess = max(1.0, float(np.median(np.abs(solved.fun))) * 1.4826)
    places = [SHARED + PER_RAIL * k for k in range(count)]
    return [NoseOffset(float(solved.x[i]), float(np.sqrt(covariance[i, i]) * excess)) for i in places]


def _layout(at: Vector, rail: Vector) -> NDArray[np.float64]:
    """Light (..., at) across noses before the blur: lit cushion outwards of the nose, then dark, half-shade, bed
    inwards, by each one's unknowns (..., PER_RAIL)."""
    nose, width, dark, ramp, bed, slope, top = (rail[..., k, None] for k in range(PER_RAIL))
    inwards = nose - at
    shade = np.clip((inwards - width) / ramp, 0.0, 1.0)
    below = dark + (bed + slope * (inwards - width) - dark) * shade
    # The sample that holds the nose gets its share of both sides, so that the model is smooth in the nose's place.
    lit = np.clip(0.5 - inwards / STEP_PX, 0.0, 1.0)
    return np.asarray(lit * top + (1 - lit) * below)


def _blurred(light: NDArray[np.float64], blur_px: Vector, sharpening: Vector) -> NDArray[np.float64]:
    """Gaussian blur, then an unsharp mask twice as wide, as cameras apply it; light (..., n) by each one's own."""
    out = np.empty_like(light)
    for blur in np.unique(blur_px):
        which = np.asarray(blur_px) == blur
        once = gaussian_filter1d(light[which], blur / STEP_PX, mode="nearest")
        wide = gaussian_filter1d(light[which], 2 * blur / STEP_PX, mode="nearest")
        out[which] = once + np.asarray(sharpening)[which][..., None] * (once - wide)
    return out


def _dark_width(at: Vector, profile: Vector) -> float:
    """Width at half depth of the dark line inwards of the crossing, a start for the fit."""
    inwards = at < 0
    low = int(np.argmin(np.where(inwards, profile, np.inf)))
    half = (profile[low] + min(1.0, float(np.median(profile[:8])) + 0.05)) / 2
    first = low
    while first > 0 and profile[first] < half:
        first -= 1
    return float(np.clip(-at[first] - 0.3, 0.5, 8.0))
