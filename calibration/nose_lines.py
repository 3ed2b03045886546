"""Sub-pixel points on the nose lines and on the outer edges of the cushions' cloth.

Strips along each rail are resampled at the height of the line that is looked for, so that a rail is straight in the
strip whatever the lens does. Seen from anywhere above, the nose stands between the dark line below it (the bed in the
nose's shadow, or the shaded face of a far cushion) and the lit top of the cushion: outwards, the brightness rises. The
cloth ends where the colour turns from the cushion's into the rail's. Brightness is taken in linear light: a half-way
crossing in the encoded values of the picture sits a tenth of a pixel too far inside.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.camera_fit import CLOTH_SETBACK_SD_M, LineKind, LinePoints, rail_points
from calibration.cloth import Picture
from calibration.nose_shape import NoseOffset, nose_offsets, window_px
from calibration.table import RAILS, Rail, Table, Vector

Linear = NDArray[np.float32]

PIECE_M = 0.03
CORNER_GAP_M = 0.11
SIDE_GAP_M = 0.095
SAMPLES_PER_PIECE = 10
STEP_PX = 0.125
REACH_M = 0.026
FINE_REACH_PX = 2.6
# The rise must stand out of the texture of the cloth: in units of the scatter between pieces of the rail.
LEAST_CONTRAST = 4.0
# Grain of the rail and uneven gluing make the errors along a cloth edge hang together: they count as this many points.
CLOTH_COMMON_SD_PX, CLOTH_LEAST_SD_PX, CLOTH_INDEPENDENT = 0.2, 0.2, 8
# Errors that a whole nose line shares: of bare crossings, and what stays after the correction for the blur.
CROSSING_SD_PX, NOSE_SD_PX = 0.15, 0.05
LEAST_SD_PX = 0.03
LEAST_PIECES = 8


@dataclass(frozen=True)
class Strip:
    """Colours across a rail: ``across_m`` (k,) from the line, positive away from the table; ``colour`` (n, k, 3)."""

    rail: Rail
    along_m: Vector
    across_m: Vector
    colour: Linear
    setback_m: float
    height_m: float
    px_per_m: Vector


def median_picture(frames: Sequence[Picture]) -> Picture:
    """What stands still in the frames: the median, band by band to keep memory small."""
    if len(frames) == 1:
        return frames[0]
    rows = frames[0].shape[0]
    out = np.empty_like(frames[0])
    for top in range(0, rows, 64):
        out[top : top + 64] = np.median(np.stack([f[top : top + 64] for f in frames]), axis=0)
    return out


def linear_light(picture: Picture) -> Linear:
    """Colours in linear light, 0 to 1 (encoding exponent 2.2, which is near enough to the video curves)."""
    table = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
    return table[picture]


def encoded(light: Linear) -> Linear:
    """Back from linear light to the values of the picture, 0 to 1."""
    return np.maximum(light, 0.0) ** np.float32(1 / 2.2)


def take_strip(
    light: Linear,
    camera: Camera,
    table: Table,
    rail: Rail,
    setback_m: float,
    height_m: float,
    reach_m: tuple[float, float],
) -> Strip:
    """Resample a band along a rail, from ``reach_m[0]`` to ``reach_m[1]`` across the line."""
    centres = _piece_centres(table, rail)
    ends, outward = rail_points(table, rail, centres, setback_m, height_m)
    images = camera.project(np.concatenate([ends, ends + 0.01 * outward]))
    px_per_m = np.linalg.norm(images[len(ends) :] - images[: len(ends)], axis=1) / 0.01
    step = STEP_PX / float(np.median(px_per_m))
    across = np.arange(reach_m[0], reach_m[1] + step / 2, step)
    inside = (np.arange(SAMPLES_PER_PIECE) + 0.5) / SAMPLES_PER_PIECE - 0.5
    along = centres[:, None] + inside * PIECE_M
    points, _ = rail_points(
        table, rail, np.broadcast_to(along[..., None], (*along.shape, len(across))), setback_m + across, height_m
    )
    pixels = camera.project(points.reshape(-1, 3)).astype(np.float32).reshape(*points.shape[:3], 2)
    flat = pixels.reshape(pixels.shape[0] * pixels.shape[1], pixels.shape[2], 2)
    colour = cv2.remap(
        light, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(np.nan,) * 3
    )
    colour = np.median(colour.reshape(*pixels.shape[:3], 3), axis=1)
    visible = np.isfinite(colour).all(axis=(1, 2))
    return Strip(rail, centres[visible], across, colour[visible], setback_m, height_m, px_per_m[visible])


def _piece_centres(table: Table, rail: Rail) -> Vector:
    """Middles of the pieces into which a rail is cut, the pockets' mouths left out."""
    start, end = table.nose_segment(rail)
    length = float(np.linalg.norm(end - start))
    centres = np.arange(CORNER_GAP_M + PIECE_M / 2, length - CORNER_GAP_M - PIECE_M / 2, PIECE_M)
    if rail in ("left", "right"):
        centres = centres[np.abs(centres - length / 2) > SIDE_GAP_M + PIECE_M / 2]
    return centres


@dataclass(frozen=True)
class _Crossings:
    """Where a line was crossed in each piece of a strip, metres across it; NaN and zero contrast where it was not."""

    strip: Strip
    across_m: Vector
    contrast: Vector


def _find_nose(light: Linear, camera: Camera, table: Table, rail: Rail, reach_m: float) -> _Crossings | None:
    """Half-way crossings of a nose within ``reach_m`` of where the camera expects it; None when no edge stands out."""
    strip = take_strip(light, camera, table, rail, 0.0, table.nose_height_m, (-reach_m - 0.012, reach_m + 0.012))
    if len(strip.along_m) < LEAST_PIECES:
        return None
    profiles = strip.colour.mean(axis=2)
    centre = _common_rise(strip, profiles, reach_m)
    return None if centre is None else _Crossings(strip, *_half_crossings(strip, profiles, centre))


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
        run = None if crossings is None else _smooth_run(crossings)
        if crossings is not None and run is not None:
            found.append((crossings, run))
    offsets = [NoseOffset(0.0, CROSSING_SD_PX)] * len(found)
    if shapes and found:
        offsets = nose_offsets([_aligned(crossings, run) for crossings, run in found])
    return [
        _as_points("nose", crossings, run, camera, table, offset.offset_px, float(np.hypot(offset.sd_px, NOSE_SD_PX)))
        for (crossings, run), offset in zip(found, offsets, strict=True)
    ]


def _aligned(crossings: _Crossings, run: "_Run") -> Vector:
    """Mean profile of a rail on ``nose_shape.window_px``, each piece shifted by the smooth run of its crossing."""
    strip = crossings.strip
    window = window_px()
    profiles = strip.colour.mean(axis=2)
    rows = []
    for k in np.flatnonzero(run.good):
        px = strip.across_m * strip.px_per_m[k] - run.curve_px[k]
        top = np.interp(window[window > 1.5], px, profiles[k]).mean()
        rows.append(np.interp(window, px, profiles[k], left=np.nan, right=np.nan) / max(top, 1e-6))
    with np.errstate(all="ignore"):
        seen = np.isfinite(rows).sum(axis=0) > len(rows) / 2
    return np.where(seen, np.median(np.nan_to_num(rows), axis=0), np.nan)


def _common_rise(strip: Strip, profiles: Linear, reach_m: float) -> float | None:
    """Where, over the whole rail, the brightness rises most outwards; None when the rise is within the texture."""
    level = np.median(profiles, axis=1, keepdims=True)
    relative = profiles / np.maximum(level, 1e-4)
    width = max(1, round(1.0 / STEP_PX))
    rises = relative[:, 2 * width :] - relative[:, : -2 * width]
    middle = strip.across_m[width:-width]
    rise = np.median(rises, axis=0)
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


def find_cloth_edge(
    light: Linear, camera: Camera, table: Table, rail: Rail, setback_m: float, height_m: float
) -> LinePoints | None:
    """Points of the outer edge of a cushion's cloth near ``setback_m``; None where cloth and rail look alike."""
    reach = 2 * CLOTH_SETBACK_SD_M
    strip = take_strip(light, camera, table, rail, setback_m, height_m, (-0.032, 0.026))
    if len(strip.along_m) < LEAST_PIECES:
        return None
    colour = encoded(strip.colour)
    inner = np.median(colour[:, strip.across_m < -reach - 0.003], axis=1)
    change = np.linalg.norm(colour - inner[:, None], axis=2)
    common = np.median(change, axis=0)
    texture = float(np.median(change[:, strip.across_m < -reach]))
    outside = strip.across_m > -reach
    limit = max(4 * texture, 0.06)
    if not (common[outside] > limit).any():
        return None
    first = int(np.argmax(outside & (common > limit)))
    if abs(strip.across_m[first]) > reach + 0.004:
        return None
    crossings = _Crossings(strip, *_colour_crossings(strip, inner, first))
    run = _smooth_run(crossings)
    if run is None:
        return None
    points = _as_points("cloth", crossings, run, camera, table, 0.0, CLOTH_COMMON_SD_PX)
    inflate = np.sqrt(max(len(points.sd_px) / CLOTH_INDEPENDENT, 1.0))
    return replace(points, sd_px=np.maximum(points.sd_px, CLOTH_LEAST_SD_PX) * inflate)


def _colour_crossings(strip: Strip, inner: Linear, first: int) -> tuple[Vector, Vector]:
    """Half-way crossings from the cushion's colour to that of the rail just beyond, along the line between the two."""
    width = round(1.0 / STEP_PX)
    beyond = slice(first + 2 * width, first + 5 * width)
    if beyond.stop > len(strip.across_m):
        return np.full(len(strip.along_m), np.nan), np.zeros(len(strip.along_m))
    step = float(strip.across_m[1] - strip.across_m[0])
    out = np.full(len(strip.along_m), np.nan)
    height = np.zeros(len(strip.along_m))
    for k, colour in enumerate(encoded(strip.colour)):
        base = inner[k]
        outer = np.median(colour[beyond], axis=0)
        line = outer - base
        size = float(line @ line)
        if size < 1e-8:
            continue
        share = (colour - base) @ line / size
        lo = max(1, first - 2 * width)
        above = np.flatnonzero(share[lo : first + 4 * width] > 0.5)
        if len(above) == 0 or above[0] == 0:
            continue
        cross = lo + int(above[0])
        below, after = share[cross - 1], share[cross]
        out[k] = strip.across_m[cross - 1] + step * (0.5 - below) / max(after - below, 1e-9)
        height[k] = np.sqrt(size)
    return out, height


@dataclass(frozen=True)
class _Run:
    """Which crossings follow one smooth run along the rail, that run (pixels across), and their scatter round it."""

    good: NDArray[np.bool_]
    curve_px: Vector
    sd_px: float


def _smooth_run(crossings: _Crossings) -> _Run | None:
    """Leave out crossings far from a smooth run along the rail (a hand, a ball, chalk); None when too few are left."""
    strip, contrast = crossings.strip, crossings.contrast
    good = np.isfinite(crossings.across_m) & (contrast > 0) & (contrast > 0.35 * float(np.median(contrast)))
    across_px = crossings.across_m * strip.px_per_m
    rest = curve_px = np.zeros(len(across_px))
    for _ in range(3):
        if good.sum() < LEAST_PIECES:
            return None
        curve = np.polynomial.Polynomial.fit(strip.along_m[good], across_px[good], 3)
        curve_px = curve(strip.along_m)
        rest = np.abs(across_px - curve_px)
        spread = 1.4826 * float(np.median(rest[good]))
        good &= rest < max(3.5 * spread, 0.15)
    if good.sum() < LEAST_PIECES:
        return None
    return _Run(good, curve_px, max(1.4826 * float(np.median(rest[good])), LEAST_SD_PX))


def _as_points(
    kind: LineKind,
    crossings: _Crossings,
    run: _Run,
    camera: Camera,
    table: Table,
    offset_px: float,
    common_sd_px: float,
) -> LinePoints:
    strip, good = crossings.strip, run.good
    across = crossings.across_m[good] + offset_px / strip.px_per_m[good]
    points, _ = rail_points(table, strip.rail, strip.along_m[good], strip.setback_m + across, strip.height_m)
    sd = np.full(int(good.sum()), run.sd_px)
    return LinePoints(kind, strip.rail, strip.along_m[good], camera.project(points), sd, common_sd_px)


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
    edges = [find_cloth_edge(light, camera, table, rail, setback_m, height_m) for rail in RAILS]
    return noses + [line for line in edges if line is not None]
