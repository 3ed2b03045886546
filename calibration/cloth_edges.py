"""Sub-pixel points on the outer edges of the cushions' cloth, where its colour turns into the rail's.

They stand in for a nose that cannot be seen: one that the camera looks at from behind shows no dark line. Here the
encoded values of the picture are used, for it is in those that video blurs colour.
"""

from dataclasses import replace
from math import hypot

import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import CLOTH_SETBACK_SD_M, LinePoints
from calibration.strips import (
    LEAST_PIECES,
    SLOW_SHARE,
    STEP_PX,
    Crossings,
    Linear,
    Strip,
    as_points,
    encoded,
    px_per_m,
    smooth_run,
    take_strip,
)
from calibration.table import Rail, Table, Vector

# How far off the camera may be when the edge is looked for, and how much of the rail beyond tells its colour.
MOST_STRAY_M = 0.02
BEYOND_PX, MOST_OUTER_M = 7.0, 0.075
# Grain of the rail and uneven gluing make the errors along a cloth edge hang together: they count as this many points.
COMMON_SD_PX, LEAST_EDGE_SD_PX, INDEPENDENT = 0.13, 0.13, 8


def find_cloth_edge(
    light: Linear, camera: Camera, table: Table, rail: Rail, setback_m: float, height_m: float, *, stray_m: float = 0.0
) -> LinePoints | None:
    """Points of the outer edge of a cushion's cloth near ``setback_m``; None where cloth and rail look alike.

    ``stray_m`` is how far off the camera may be.
    """
    reach = 2 * CLOTH_SETBACK_SD_M + min(stray_m, MOST_STRAY_M)
    outer = reach + max(0.014, BEYOND_PX / px_per_m(camera, table, rail))
    strip = take_strip(light, camera, table, rail, setback_m, height_m, (-reach - 0.02, min(outer, MOST_OUTER_M)))
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
    crossings = Crossings(strip, *_colour_crossings(strip, inner, first))
    run = smooth_run(crossings)
    if run is None:
        return None
    points = as_points("cloth", crossings, run, camera, table, 0.0, hypot(COMMON_SD_PX, SLOW_SHARE * run.slow_px))
    inflate = np.sqrt(max(len(points.sd_px) / INDEPENDENT, 1.0))
    return replace(points, sd_px=np.maximum(points.sd_px, LEAST_EDGE_SD_PX) * inflate)


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
