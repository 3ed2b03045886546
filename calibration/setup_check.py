"""Whether a saved camera still fits what a clip shows, before it is trusted."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Setup
from calibration.camera_fit import rail_points
from calibration.cloth import Picture
from calibration.nose_lines import find_noses
from calibration.strips import linear_light, median_picture
from calibration.table import Rail

# How far off a nose is looked for, and how far off it may be at 1920 pixels across (half a millimetre or so).
REACH_M = 0.045
MOST_OFFSET_PX = 1.0


@dataclass(frozen=True)
class SetupCheck:
    """How far the noses lie from where the camera expects them.

    Attributes
    ----------
    offset_px : for each rail whose nose was seen, the median distance across it, positive away from the table.
    worst_px : the largest of them in size; NaN when too few noses were seen to tell.
    agrees : whether the camera may be used as it is.
    why : a clause that says why not; empty when it agrees.
    """

    offset_px: dict[Rail, float]
    worst_px: float
    agrees: bool
    why: str


def check_setup(frames: Sequence[Picture], setup: Setup) -> SetupCheck:
    """Compare a registered camera with stored frames (uint8, BGR) of one clip, a few, spread over it or over a part."""
    camera, table = setup.camera, setup.table
    height, width = frames[0].shape[:2] if frames else (0, 0)
    if (width, height) != (camera.width, camera.height):
        why = f"the clip has {width} x {height} pixels, the camera was registered at {camera.width} x {camera.height}"
        return SetupCheck({}, float("nan"), False, why)
    light = linear_light(median_picture(frames))
    offsets: dict[Rail, float] = {}
    for line in find_noses(light, camera, table, reach_m=REACH_M, shapes=False):
        expected, outward = rail_points(table, line.rail, line.along_m, 0.0, table.nose_height_m)
        here, out = camera.project(expected), camera.project(expected + 0.01 * outward)
        normal = (out - here) / np.linalg.norm(out - here, axis=1, keepdims=True)
        offsets[line.rail] = float(np.median(((line.pixels - here) * normal).sum(axis=1)))
    # A view that slid along its long rails would still show them in place.
    if not offsets.keys() & {"left", "right"} or not offsets.keys() & {"head", "foot"}:
        return SetupCheck(offsets, float("nan"), False, "the noses were not seen where the camera expects them")
    worst = max(offsets.values(), key=abs)
    limit = MOST_OFFSET_PX * max(width, height) / 1920
    if abs(worst) > limit:
        rail = next(name for name, value in offsets.items() if value == worst)
        return SetupCheck(offsets, worst, False, f"the {rail} rail lies {abs(worst):.1f} pixels from where it was")
    return SetupCheck(offsets, worst, True, "")
