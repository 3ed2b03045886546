"""Strips along the rails, resampled at the height of a line so that a rail is straight in them, and what crosses them.

Brightness is taken in linear light: a half-way crossing of a lit edge in the encoded values of the picture sits a tenth
of a pixel too far on the dark side.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.camera_fit import LineKind, LinePoints, rail_points
from calibration.cloth import Picture
from calibration.median import median_of
from calibration.table import Rail, Table, Vector

Linear = NDArray[np.float32]

PIECE_M = 0.03
CORNER_GAP_M = 0.11
SIDE_GAP_M = 0.095
SAMPLES_PER_PIECE = 10
# So many pieces are resampled at a time: a whole rail's would take some seventy megabytes.
PIECES_AT_ONCE = 8
STEP_PX = 0.125
MOST_STEPS = 4000
LEAST_PIECES = 8
LEAST_SD_PX = 0.03
LEAST_CONTRAST_SHARE = 0.35
MOST_CORRELATION = 0.8
# Slow waves along a rail from which its hidden errors are judged; what such a wave of unit mean square is at its ends.
SLOW_WAVES, TURN = 5, 3**0.5
# What shifts a whole rail, in units of such a wave: a little more, as slow errors are the larger the slower.
SLOW_SHARE = 1.3


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


def linear_light(picture: Picture) -> Linear:
    """Colours in linear light, 0 to 1 (encoding exponent 2.2, which is near enough to the video curves)."""
    table = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
    # Not table[picture], which makes eight bytes of each value first.
    return np.asarray(cv2.LUT(picture, table), np.float32)


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
    # Under a camera that is quite wrong a rail may pass the lens so closely that a strip would have no end.
    step = max(STEP_PX / float(np.median(px_per_m)), (reach_m[1] - reach_m[0]) / MOST_STEPS)
    across = np.arange(reach_m[0], reach_m[1] + step / 2, step)
    inside = (np.arange(SAMPLES_PER_PIECE) + 0.5) / SAMPLES_PER_PIECE - 0.5
    starts, _ = rail_points(table, rail, centres[:, None] + inside * PIECE_M, setback_m, height_m)
    colours = [np.empty((0, len(across), 3), np.float32)]
    for first in range(0, len(starts), PIECES_AT_ONCE):
        some, nowhere = starts[first : first + PIECES_AT_ONCE], (np.nan,) * 3
        xs, ys = (px.astype(np.float32) for px in camera.project_beside(some.reshape(-1, 3), outward, across))
        seen = cv2.remap(light, xs, ys, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=nowhere)
        samples = seen.reshape(len(some), SAMPLES_PER_PIECE, len(across), 3)
        colours.append(median_of([samples[:, k] for k in range(SAMPLES_PER_PIECE)]))
    colour = np.concatenate(colours)
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


def px_per_m(camera: Camera, table: Table, rail: Rail) -> float:
    """Scale across a rail at its middle."""
    start, end = table.nose_segment(rail)
    middle, outward = rail_points(table, rail, np.array([np.linalg.norm(end - start) / 2]), 0.0, table.nose_height_m)
    images = camera.project(np.concatenate([middle, middle + 0.01 * outward]))
    return float(np.linalg.norm(images[1] - images[0]) / 0.01)


@dataclass(frozen=True)
class Crossings:
    """Where a line was crossed in each piece of a strip, metres across it; NaN and zero contrast where it was not."""

    strip: Strip
    across_m: Vector
    contrast: Vector


@dataclass(frozen=True)
class Run:
    """Which crossings follow one smooth run along the rail, that run (pixels across), their scatter round it, and the
    factor by which neighbours that err alike make it worth less; and ``slow_px``, errors that run on for long."""

    good: NDArray[np.bool_]
    curve_px: Vector
    sd_px: float
    inflation: float
    slow_px: float


def smooth_run(crossings: Crossings) -> Run | None:
    """Leave out crossings far from a smooth run along the rail (a hand, a ball, chalk); None when too few are left."""
    strip, contrast = crossings.strip, crossings.contrast
    good = (
        np.isfinite(crossings.across_m)
        & (contrast > 0)
        & (contrast > LEAST_CONTRAST_SHARE * float(np.median(contrast)))
    )
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
    sd = max(1.4826 * float(np.median(rest[good])), LEAST_SD_PX)
    slow_px = _slow_px(strip.along_m[good], across_px[good])
    return Run(good, curve_px, sd, _correlation_inflation((across_px - curve_px)[good]), slow_px)


def _correlation_inflation(residual: Vector) -> float:
    """Factor on the sd of each point when neighbours err alike (compression does that): from the lag-1 correlation."""
    lag = float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-12)
    lag = float(np.clip(lag, 0.0, MOST_CORRELATION))
    return float(np.sqrt((1 + lag) / (1 - lag)))


def _slow_px(along_m: Vector, across_px: Vector) -> float:
    """What errors that run on along a rail come to: root mean square of the waves that its crossings show about a line.

    Blocks of the compression, coarse quantisation, a shadow or grain misplace neighbouring points alike. Of that, what
    shifts or turns the whole rail is not to be told from the camera's place, but its spectrum is flat at its slow end:
    polynomials of the next orders, each of unit mean square, show as much of it as the two that are hidden hold.
    """
    x = 2 * (along_m - along_m.min()) / max(float(np.ptp(along_m)), 1e-9) - 1
    waves, _ = np.linalg.qr(np.polynomial.legendre.legvander(x, SLOW_WAVES + 1))
    return float(np.sqrt(((waves[:, 2:].T @ across_px) ** 2).mean() / len(x)))


def as_points(
    kind: LineKind,
    crossings: Crossings,
    run: Run,
    camera: Camera,
    table: Table,
    offset_px: float,
    common_sd_px: float,
) -> LinePoints:
    """The crossings of a run as evidence; what turns its rail is the slow waves that it shows."""
    strip, good = crossings.strip, run.good
    across = crossings.across_m[good] + offset_px / strip.px_per_m[good]
    points, _ = rail_points(table, strip.rail, strip.along_m[good], strip.setback_m + across, strip.height_m)
    sd = np.full(int(good.sum()), run.sd_px * run.inflation)
    return LinePoints(
        kind, strip.rail, strip.along_m[good], camera.project(points), sd, common_sd_px, TURN * run.slow_px
    )
