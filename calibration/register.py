"""Registration: from a few frames of a clip to the table and the camera over it.

The cloth gives a coarse camera; strips along the rails, resampled with it, give points on the nose lines and cloth
edges to a fraction of a pixel; least squares on those gives the camera, and better strips, until nothing changes.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.accuracy import place_accuracy
from calibration.ball_size import BallSize, measure_ball_size
from calibration.camera import Camera, Setup
from calibration.camera_fit import CameraFit, rail_points
from calibration.cloth import ClothOutline, Picture, outline_from_corners
from calibration.errors import InputError
from calibration.head import SIDES, place_head
from calibration.likeness import table_likeness
from calibration.median import median_of
from calibration.strips import Linear, linear_light
from calibration.table import CORNERS, RAILS, STANDARD_TABLES, Table, Vector
from calibration.table_search import FINE_REACHES_M, Found, credible, find_table, refined
from calibration.table_size import check_table, contradicts, tell_table
from calibration.uncovered import uncover_rails

# Until the size is known: in the middle, so that cushions of a table of any size are about where they are expected.
ASSUMED_TABLE, ASSUMED_NEXT = "8ft", "carom"
LEAST_ELEVATION_DEG = 25.0
# Under a pocket's mouth it is dark: this share of the cushion's brightness at most.
POCKET_DARK_SHARE = 0.35

# Where balls would be placed worse than this, as a root mean square over what is in the frame, too little was seen.
MOST_PLACE_SD_M = 0.02

NO_TABLE = (
    "no table was found in the picture: its cushions must be in view, of a pool table all but one at least, with the "
    "camera well above the cloth; "
    "move the camera, name its file with --camera, or say where the corners are with --corners."
)
NO_TABLE_THERE = (
    "no cushions were found along the sides between the corners given; give the places where the nose lines would "
    "meet, in pixels of the upright picture, in order round the table."
)


def register(
    frames: Sequence[Picture],
    *,
    rotation_deg: int,
    table: Table | None,
    head: str | None,
    corners_px: Vector | None = None,
) -> Setup:
    """Find the table in frames of one clip and the camera that took them.

    Parameters
    ----------
    frames : stored frames (uint8, BGR), spread over the clip so that people and balls are elsewhere in most of them;
        one is enough, nine are good.
    rotation_deg : how far a stored frame is turned clockwise to stand upright: 0, 90, 180 or 270.
    table : None to tell the size from the balls; a stated table is checked against them.
    head : side of the upright picture where the head rail lies; None for the default of ``head.place_head``.
    corners_px : (4, 2) where the nose lines would meet, in pixels of the stored frame, in order round the table, if the
        cloth is not found by itself; they may be several pixels off.

    Raises
    ------
    InputError : no table in view, a size that the balls contradict or cannot tell, a side that cannot be the head's.
    """
    if not frames:
        raise InputError("no frame could be read, so there is nothing to find a table in; check the clip.")
    if head is not None and head not in SIDES:
        raise InputError(f"head {head!r} is not a side of the picture; use one of {', '.join(SIDES)}.")
    still = median_of(frames)
    light = linear_light(still)
    given = None if corners_px is None else outline_from_corners(corners_px)
    found, assumed = _found(still, light, table, given)
    if found is not None:
        uncovered = uncover_rails(frames, still, found.fit.camera, assumed)
        light = light if uncovered is still else linear_light(uncovered)
    start = None if found is None else refined(light, found.fit, assumed, FINE_REACHES_M)
    if start is None:
        raise InputError(NO_TABLE if corners_px is None else NO_TABLE_THERE)
    fit = start
    if table is None:

        def measure(under: Table) -> BallSize | None:
            return measure_ball_size(frames, _rescaled(start, assumed, under).camera, under)

        table = tell_table(measure, assumed, pockets=has_pockets(light, fit.camera, assumed))
    else:
        _check_stated(frames, fit, measure_ball_size(frames, fit.camera, assumed), assumed, table)
    final = refined(light, _rescaled(fit, assumed, table), table, FINE_REACHES_M)
    if final is None or not credible(Found(final, table_likeness(light, final.camera, table))):
        raise InputError(NO_TABLE if corners_px is None else NO_TABLE_THERE)
    fit = final
    elevation = fit.camera.elevation_deg(table)
    if elevation < LEAST_ELEVATION_DEG:
        raise InputError(
            f"the camera stands only {elevation:.0f} degrees above the cloth; mount it higher, at least 35 degrees."
        )
    _check_determined(fit.camera, table)
    camera, side = place_head(fit.camera, table, rotation_deg, head)
    return Setup(table, side, camera, automatic=corners_px is None)


def _found(
    still: Picture, light: Linear, table: Table | None, given: ClothOutline | None
) -> tuple[Found | None, Table]:
    """The best camera, and under which table it was found: the stated one; a middling one; one of other proportions."""
    best, under = None, _assumed(table)[0]
    for assumed in _assumed(table):
        found = find_table(still, light, assumed, given)
        if found is not None and (best is None or found.likeness.score > best.likeness.score):
            best, under = found, assumed
        if best is not None and (best.enough or table is not None):
            break
    return best, under


def _assumed(table: Table | None) -> list[Table]:
    """The tables to look for. How high a cushion is for a table's length differs from size to size, by little.

    One that is stated wrongly is mostly found all the same, and refused for what its balls say; else as a middling one.
    """
    middle = STANDARD_TABLES[ASSUMED_TABLE]
    if table is None:
        return [middle, STANDARD_TABLES[ASSUMED_NEXT]]
    return [table, replace(middle, length_m=middle.length_m, width_m=table.width_m * middle.length_m / table.length_m)]


def _check_determined(camera: Camera, table: Table) -> None:
    """Refuse a camera that would place balls too badly for what it did not see."""
    accuracy = place_accuracy(Setup(table, "left", camera))
    if accuracy is None or accuracy.mean_sd_m <= MOST_PLACE_SD_M:
        return
    what = "one rail is not seen" if any(name in RAILS for name in camera.unseen) else "too little of it is seen"
    raise InputError(
        f"the table was found, but {what}, and nothing else tells well enough where it is (balls would be off by some "
        f"{1000 * accuracy.mean_sd_m:.0f} mm); move the camera until all four cushions are in view, or at least three "
        "of them with both side pockets."
    )


def _check_stated(
    frames: Sequence[Picture], fit: CameraFit, size: BallSize | None, assumed: Table, table: Table
) -> None:
    """Refuse a stated table that the balls contradict, also when looked for once more by the size that is stated."""
    scale = table.length_m / assumed.length_m
    if size is None:
        return
    size = BallSize(size.radius_m * scale, size.sd_m * scale, size.balls)
    if contradicts(size, table):
        check_table(measure_ball_size(frames, _rescaled(fit, assumed, table).camera, table) or size, table)


def _rescaled(fit: CameraFit, assumed: Table, table: Table) -> CameraFit:
    """The fit carried over to a table of another size: the camera keeps its view of the noses."""
    scale = table.length_m / assumed.length_m
    return replace(
        fit,
        camera=replace(fit.camera, position_m=fit.camera.position_m * scale),
        cloth_setback_m=fit.cloth_setback_m * scale,
    )


def has_pockets(light: Linear, camera: Camera, table: Table) -> bool:
    """Whether it is dark just outside most of the corners, where a pocket would be."""
    dark, seen = 0, 0
    for corner in CORNERS:
        place = table.corner_m(corner)
        out = np.sign(place - table.centre_m)
        around = np.array([[*(place + out * d), 0.0] for d in (0.005, 0.015, 0.025)])
        hole = _brightness(light, camera, around)
        rail = "right" if corner.endswith("right") else "left"
        cushion, _ = rail_points(table, rail, np.linspace(0.25, 0.75, 9) * table.length_m, 0.02, table.nose_height_m)  # type: ignore[arg-type]
        limit = POCKET_DARK_SHARE * _brightness(light, camera, cushion)
        dark, seen = dark + bool(hole < limit), seen + bool(np.isfinite(hole))
    return dark > 0.6 * seen


def _brightness(light: Linear, camera: Camera, points_m: np.ndarray) -> float:
    pixels = np.round(camera.project(points_m)).astype(int)
    inside = (pixels >= 0).all(axis=1) & (pixels < [light.shape[1], light.shape[0]]).all(axis=1)
    if not inside.any():
        return float("nan")
    return float(np.median(light[pixels[inside, 1], pixels[inside, 0]].mean(axis=1)))
