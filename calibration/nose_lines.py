"""Sub-pixel points on the nose lines.

Seen from anywhere above, the nose stands between the dark line below it (the bed in the nose's shadow, or the shaded
face of a far cushion) and the lit top of the cushion: outwards, the brightness rises. Half-way crossings of that rise
are found piece by piece and corrected for the blur that makes a thin dark line look fainter.
"""

import cv2
import numpy as np

from calibration.camera import Camera, Matrix
from calibration.camera_fit import LinePoints
from calibration.cloth_edges import find_cloth_edge
from calibration.likeness import bed_colours, colour_steps, hue_of
from calibration.nose_shape import NoseOffset, nose_offsets, window_px
from calibration.strips import (
    LEAST_PIECES,
    SLOW_SHARE,
    STEP_PX,
    Crossings,
    Linear,
    Run,
    Strip,
    as_points,
    px_per_m,
    smooth_run,
    take_strip,
)
from calibration.table import RAILS, Rail, Table, Vector

REACH_M = 0.026
FINE_REACH_PX = 2.6
# Far rails are seen small: never look closer than this, and always at this much to either side of what is searched.
LEAST_REACH_PX = 2.5
MARGIN_M, MARGIN_PX, MOST_MARGIN_M = 0.012, 8.0, 0.035
# The rise must stand out of the texture of the cloth: in units of the scatter between pieces of the rail.
LEAST_CONTRAST = 4.0
# Errors that a whole nose line shares: of bare crossings, and what stays after the correction for the blur.
CROSSING_SD_PX, NOSE_SD_PX = 0.15, 0.03
# What lies outwards of a nose is cloth: this far it is looked at, and so far its hue and brightness may differ from the
# bed's, in logarithms, before the edge counts for much less. Rails beyond a cushion often are the sharper edge.
BEYOND_PX, BEYOND_M = 1.5, 0.022
USUAL_HUE_STEP, USUAL_LIGHT_STEP = 0.25, 0.4
# Before a nose it is darker than on the bed by this share, so near: elsewhere brightness rises without it.
DARK_WITHIN_PX, LEAST_DEPTH = 3.0, 0.10
# Of a rail's pieces, as many must show an edge that runs on.
LEAST_SEEN_SHARE = 0.45


def _find_nose(light: Linear, camera: Camera, table: Table, rail: Rail, reach_m: float) -> Crossings | None:
    """Half-way crossings of a nose within ``reach_m`` of where the camera expects it; None when no edge stands out."""
    scale = px_per_m(camera, table, rail)
    reach_m = max(reach_m, LEAST_REACH_PX / scale)
    margin_m = min(max(MARGIN_M, MARGIN_PX / scale), MOST_MARGIN_M)
    strip = take_strip(light, camera, table, rail, 0.0, table.nose_height_m, (-reach_m - margin_m, reach_m + margin_m))
    if len(strip.along_m) < LEAST_PIECES:
        return None
    profiles = strip.colour.mean(axis=2)
    bed = bed_colours(light, camera, table, rail, strip.along_m)
    trust = _cloth_beyond(strip, bed) * _dark_before(profiles, bed)
    centre = _common_rise(strip, profiles, reach_m, trust)
    return None if centre is None else Crossings(strip, *_half_crossings(strip, profiles, centre))


def find_noses(
    light: Linear, camera: Camera, table: Table, *, reach_m: float = REACH_M, shapes: bool = True
) -> list[LinePoints]:
    """Points on the nose lines that can be seen, given a camera good to ``reach_m``.

    With ``shapes`` the half-way crossings are corrected by ``nose_shape.nose_offsets``; that is worth its time once the
    camera is good to a pixel.
    """
    found = []
    for rail in RAILS:
        crossings = _find_nose(light, camera, table, rail, reach_m)
        run = None if crossings is None else smooth_run(crossings)
        if crossings is not None and run is not None and run.good.mean() > LEAST_SEEN_SHARE:
            found.append((crossings, run))
    profiles = [_aligned(crossings, run) for crossings, run in found]
    offsets = [NoseOffset(0.0, CROSSING_SD_PX)] * len(found)
    if shapes and found:
        offsets = nose_offsets(profiles)
    return [
        as_points("nose", crossings, run, camera, table, offset.offset_px, _common_sd_px(offset, run, profile))
        for (crossings, run), offset, profile in zip(found, offsets, profiles, strict=True)
    ]


def _common_sd_px(offset: NoseOffset, run: Run, profile: Vector) -> float:
    """What a whole rail is misread by: more where the dark line is faint, or the crossings show slow errors."""
    contrast = float(np.clip(1 - np.nanmin(profile), 0.05, 1.0))
    return float(np.linalg.norm([offset.sd_px, NOSE_SD_PX / contrast, SLOW_SHARE * run.slow_px]))


def _aligned(crossings: Crossings, run: Run) -> Vector:
    """Mean profile of a rail on ``nose_shape.window_px``, each piece shifted by the smooth run of its crossing."""
    strip = crossings.strip
    window = window_px()
    top_px = window[window > 1.5]
    profiles = strip.colour.mean(axis=2)
    rows = []
    for k in np.flatnonzero(run.good):
        px = strip.across_m * strip.px_per_m[k] - run.curve_px[k]
        top = np.interp(top_px, px, profiles[k]).mean()
        rows.append(np.interp(window, px, profiles[k], left=np.nan, right=np.nan) / max(top, 1e-6))
    with np.errstate(all="ignore"):
        seen = np.isfinite(rows).sum(axis=0) > len(rows) / 2
    return np.where(seen, np.median(np.nan_to_num(rows), axis=0), np.nan)


def _cloth_beyond(strip: Strip, bed: Matrix) -> Vector:
    """How much like the bed's cloth it looks just outwards of each place across a strip, 0 to 1, over all pieces."""
    seen = np.isfinite(bed).all(axis=1)
    if not seen.any():
        return np.ones(len(strip.across_m))
    steps = np.median(colour_steps(bed[seen, None], strip.colour[seen]), axis=0)
    step_m = float(strip.across_m[1] - strip.across_m[0])
    near = round(BEYOND_PX / STEP_PX)
    far = max(near + round(BEYOND_PX / STEP_PX), round(BEYOND_M / step_m))
    padded = np.concatenate([steps, np.repeat(steps[-1:], far + 1, axis=0)])
    sums = np.concatenate([np.zeros((1, 3)), np.cumsum(padded, axis=0)])
    at = np.arange(len(steps))
    beyond = (sums[at + far + 1] - sums[at + near]) / (far + 1 - near)
    stray = np.hypot(hue_of(beyond) / USUAL_HUE_STEP, beyond.mean(axis=1) / USUAL_LIGHT_STEP)
    return np.asarray(1 / (1 + np.maximum(stray - 1, 0) ** 4))


def _dark_before(profiles: Linear, bed: Matrix) -> Vector:
    """How sure it is, 0 to 1, that just inwards of each place across a strip it is darker than on the bed."""
    seen = np.isfinite(bed).all(axis=1)
    if not seen.any():
        return np.ones(profiles.shape[1])
    depth = 1 - np.median(profiles[seen] / np.maximum(bed[seen].mean(axis=1, keepdims=True), 1e-4), axis=0)
    reach = round(DARK_WITHIN_PX / STEP_PX)
    inwards = np.concatenate([np.full(reach, -np.inf), depth])
    deepest = np.lib.stride_tricks.sliding_window_view(inwards, reach + 1).max(axis=1)
    return np.clip((deepest - LEAST_DEPTH / 2) / (LEAST_DEPTH / 2), 0.0, 1.0)


def _common_rise(strip: Strip, profiles: Linear, reach_m: float, trust: Vector) -> float | None:
    """Where, over the whole rail, the brightness rises most outwards, weighted by ``trust`` for each place across; None
    when the rise is within the texture."""
    level = np.median(profiles, axis=1, keepdims=True)
    relative = profiles / np.maximum(level, 1e-4)
    width = max(1, round(1.0 / STEP_PX))
    rises = relative[:, 2 * width :] - relative[:, : -2 * width]
    middle = strip.across_m[width:-width]
    rise = np.median(rises, axis=0) * trust[width:-width]
    scatter = 1.4826 * np.median(np.abs(rises - rise), axis=0) / np.sqrt(len(profiles))
    rise[np.abs(middle) > reach_m] = -1
    best = int(np.argmax(rise))
    if rise[best] < max(LEAST_CONTRAST * float(np.median(scatter)), 0.03):
        return None
    return float(middle[best])


def _half_crossings(strip: Strip, profiles: Linear, centre_m: float) -> tuple[Vector, Vector]:
    """Half-way crossing of the rise in each piece (NaN when there is none), and the height of the rise."""
    step = float(strip.across_m[1] - strip.across_m[0])
    smooth = cv2.GaussianBlur(profiles, (0, 1), sigmaX=0.3 / STEP_PX, sigmaY=0.01, borderType=cv2.BORDER_REPLICATE)
    reach = round(FINE_REACH_PX / STEP_PX)
    at = int(np.argmin(np.abs(strip.across_m - centre_m)))
    plateau = round(3.0 / STEP_PX)
    out = np.full(len(profiles), np.nan)
    height = np.zeros(len(profiles))
    for k, profile in enumerate(smooth):
        lo, hi = max(1, at - reach), min(len(profile) - 2 * plateau - 2, at + reach)
        if hi - lo < 4:
            continue
        foot = lo + int(np.argmax(np.diff(profile[lo : hi + 1])))
        low = foot
        while low > 0 and profile[low - 1] < profile[low]:
            low -= 1
        top = float(np.median(profile[foot + plateau // 2 : foot + 2 * plateau]))
        half = (profile[low] + top) / 2
        cross = low
        while cross < len(profile) - 1 and profile[cross] < half:
            cross += 1
        if cross == low or cross > hi + plateau:
            continue
        below, above = profile[cross - 1], profile[cross]
        out[k] = strip.across_m[cross - 1] + step * (half - below) / max(above - below, 1e-9)
        height[k] = top - profile[low]
    return out, height


def find_lines(
    light: Linear,
    camera: Camera,
    table: Table,
    setback_m: float,
    height_m: float,
    *,
    nose_reach_m: float = REACH_M,
    shapes: bool = True,
) -> list[LinePoints]:
    """The nose lines that can be seen, given a camera good to ``nose_reach_m``, and what helps when one cannot.

    With all four noses in view the cloth edges would only add the unevenness of the build, so they are left out.
    """
    noses = find_noses(light, camera, table, reach_m=nose_reach_m, shapes=shapes)
    if len(noses) == len(RAILS):
        return noses
    seen = {line.rail for line in noses}
    edges = [
        find_cloth_edge(light, camera, table, rail, setback_m, height_m, stray_m=0.0 if rail in seen else nose_reach_m)
        for rail in RAILS
    ]
    return noses + [line for line in edges if line is not None]
