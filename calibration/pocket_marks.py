"""Where along the long rails the side pockets are: what tells the scale along a table when an end of it is not seen.

A mouth's two edges are where the cushion's lit top ends. Their middle is the middle of the rail whatever the mouth's
width and however its jaws are cut, so only the middle is used.
"""

from collections.abc import Iterable
from typing import Literal

import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import CLOTH_HEIGHT_M, CLOTH_SETBACK_M, PocketMark, rail_points
from calibration.likeness import sample
from calibration.strips import Linear
from calibration.table import Table, Vector

# Where on the cushion's top it is looked, behind the nose, and how far to either side of the pocket's middle.
SETBACKS_M = np.linspace(0.006, 0.022, 5)
REACH_M = 0.17
STEP_PX = 0.25
# How well a pocket is built in the middle of its rail (common practice, no source), and how well its middle is read: of
# a mouth seen from one side, one jaw shows its face and the other does not (on rendered pictures, up to 1.5 px).
BUILT_SD_M, READ_SD_PX = 0.002, 0.9
# A mouth in which it is less dark than this, as a share of the cushion's light, is none.
MOST_DARK_SHARE = 0.6
# Mouths of all makes, from the narrowest to the widest, at the cushion's top.
MOUTH_M = (0.09, 0.20)


def find_side_pockets(
    light: Linear, camera: Camera, table: Table, rails: Iterable[Literal["left", "right"]] = ("left", "right")
) -> list[PocketMark]:
    """Middles of the side pockets in the frame, given a camera that is good to a few centimetres."""
    marks = [_find(light, camera, table, rail) for rail in rails]
    return [mark for mark in marks if mark is not None]


def _find(light: Linear, camera: Camera, table: Table, rail: Literal["left", "right"]) -> PocketMark | None:
    middle = table.length_m / 2
    ends, _ = rail_points(table, rail, middle + np.array([-0.01, 0.01]), 0.0, table.nose_height_m)
    images = camera.project(ends)
    px_per_m = float(np.linalg.norm(images[1] - images[0])) / 0.02
    if not np.isfinite(px_per_m) or px_per_m <= 0:
        return None
    along = middle + np.arange(-REACH_M, REACH_M, min(STEP_PX / px_per_m, 0.004))
    rows = []
    for setback in SETBACKS_M:
        height = table.nose_height_m + setback / CLOTH_SETBACK_M * (CLOTH_HEIGHT_M - table.nose_height_m)
        points, _ = rail_points(table, rail, along, float(setback), height)
        rows.append(sample(light, camera.project(points)).mean(axis=1))
    profile = np.median(rows, axis=0)
    if not np.isfinite(profile).all():
        return None
    edges = _edges(profile, along)
    if edges is None:
        return None
    setback = float(SETBACKS_M.mean())
    height = table.nose_height_m + setback / CLOTH_SETBACK_M * (CLOTH_HEIGHT_M - table.nose_height_m)
    point, _ = rail_points(table, rail, np.array([edges.mean()]), setback, height)
    sd_px = float(np.hypot(BUILT_SD_M * px_per_m, READ_SD_PX))
    return PocketMark(rail, middle, setback, height, camera.project(point)[0], sd_px)


def _edges(profile: Vector, along_m: Vector) -> Vector | None:
    """Places where the light falls to half on the way into the mouth, from both sides; None when there is no mouth."""
    darkest = np.abs(along_m - along_m.mean()) < MOUTH_M[1] / 2
    before, after = along_m < along_m.mean() - MOUTH_M[1] / 2 - 0.01, along_m > along_m.mean() + MOUTH_M[1] / 2 + 0.01
    levels = np.array([np.median(profile[before]), np.median(profile[after])])
    floor = float(np.quantile(profile[darkest], 0.2))
    if floor > MOST_DARK_SHARE * levels.min():
        return None
    inner = np.flatnonzero(darkest & (profile < floor + 0.2 * (levels.min() - floor)))
    if len(inner) < 3:
        return None
    found = []
    for level, order in ((levels[0], -1), (levels[1], 1)):
        half = (level + floor) / 2
        at = int(np.median(inner))
        while 0 < at < len(profile) - 1 and profile[at] < half:
            at += order
        inside = profile[at - order]
        share = (half - inside) / max(float(profile[at] - inside), 1e-9)
        found.append(along_m[at - order] + share * (along_m[at] - along_m[at - order]))
    edges = np.array(found)
    return edges if MOUTH_M[0] < edges[1] - edges[0] < MOUTH_M[1] else None
