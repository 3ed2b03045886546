"""Whether a saved camera still fits what a clip shows, before it is trusted."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Setup
from calibration.camera_fit import rail_points
from calibration.cloth import Picture
from calibration.median import median_of
from calibration.nose_lines import find_noses
from calibration.strips import linear_light
from calibration.table import Rail

# How far off a nose is looked for, and how far off it may be: blur alone takes most of a pixel in a dark view.
REACH_M = 0.045
MOST_OFFSET_PX = 1.0


@dataclass(frozen=True)
class SetupCheck:
    """How far the noses lie from where the camera expects them.

    Attributes
    ----------
    offset_px : for each rail whose nose was seen, the median distance across it, positive away from the table.
    worst_px : the largest of them in size, a false nose left out; NaN when too few noses were seen to tell.
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
    light = linear_light(median_of(frames))
    offsets: dict[Rail, float] = {}
    for line in find_noses(light, camera, table, reach_m=REACH_M, shapes=False):
        expected, outward = rail_points(table, line.rail, line.along_m, 0.0, table.nose_height_m)
        here, out = camera.project(expected), camera.project(expected + 0.01 * outward)
        normal = (out - here) / np.linalg.norm(out - here, axis=1, keepdims=True)
        offsets[line.rail] = float(np.median(((line.pixels - here) * normal).sum(axis=1)))
    # A view that slid along its long rails would still show them in place.
    if not offsets.keys() & {"left", "right"} or not offsets.keys() & {"head", "foot"}:
        return SetupCheck(offsets, float("nan"), False, "the noses were not seen where the camera expects them")
    trusted = _fixed(offsets)
    worst = max(trusted.values(), key=abs)
    if abs(worst) > MOST_OFFSET_PX:
        rail = next(name for name, value in offsets.items() if value == worst)
        return SetupCheck(offsets, worst, False, f"the {rail} rail lies {abs(worst):.1f} pixels from where it was")
    return SetupCheck(offsets, worst, True, "")


def _fixed(offsets: dict[Rail, float]) -> dict[Rail, float]:
    """The offsets, without the only one that is off when three are not.

    Three lines in space that stay in place hold a camera fast: then the fourth is another edge taken for a nose, as
    happens where the nearest cushion is seen from behind.
    """
    near = {rail: value for rail, value in offsets.items() if abs(value) <= MOST_OFFSET_PX}
    return near if len(offsets) == 4 and len(near) == 3 else offsets
