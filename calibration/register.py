"""Registration: from a few frames of a clip to the table and the camera over it.

The cloth gives a coarse camera; strips along the rails, resampled with it, give points on the nose lines and cloth
edges to a fraction of a pixel; least squares on those gives the camera, and better strips, until nothing changes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from calibration.ball_size import BallSize, measure_ball_size
from calibration.camera import Camera, Setup
from calibration.camera_fit import CameraFit, fit_camera, rail_points
from calibration.camera_start import start_cameras, start_inside_frame
from calibration.cloth import ClothOutline, Picture, find_cloth, outline_from_corners
from calibration.errors import InputError
from calibration.head import SIDES, place_head
from calibration.nose_lines import find_lines
from calibration.strips import Linear, encoded, linear_light, median_picture, take_strip
from calibration.table import CORNERS, RAILS, STANDARD_TABLES, Table, Vector
from calibration.table_size import check_table, choose_table

# Until the size is known: in the middle, so that cushions of a table of any size are about where they are expected.
ASSUMED_TABLE = "8ft"
# Reach of the search for the noses, pass by pass.
NOSE_REACHES_M = (0.022, 0.010, 0.006)
# The blur at the noses is modelled once the camera is about right.
SHAPES_BELOW_M = 0.008
LEAST_NOSES = 3
# Change of colour from the bed to a cushion's top, as a share of the bed's.
MOST_CLOTH_CHANGE = 0.35
MOST_OUTLINES = 4
LEAST_ELEVATION_DEG = 20.0
# A line fit worse than this, as a share of the picture's long side, is not a table (2.9 px at 1080p).
MOST_RESIDUAL_SHARE = 0.0015
MOST_FOCAL_STRAY = 1.1
# Under a pocket's mouth it is dark: this share of the cushion's brightness at most.
POCKET_DARK_SHARE = 0.35

NO_TABLE = (
    "no table was found in the picture: all four cushions must be in view, with the camera well above the cloth; "
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
    still = median_picture(frames)
    light = linear_light(still)
    assumed = _middling(table)
    fit = _find_table(still, light, assumed, None if corners_px is None else outline_from_corners(corners_px))
    size = measure_ball_size(frames, fit.camera, assumed)
    if table is None:
        pockets = has_pockets(light, fit.camera, assumed)
        first = choose_table(size, assumed, pockets=pockets)
        # Measured once more under the table chosen: balls are looked for by their size, so the second look is better.
        fit = _rescaled(fit, assumed, first)
        again = measure_ball_size(frames, fit.camera, first)
        table = choose_table(again or size, first if again else assumed, pockets=pockets)
        assumed = first
    else:
        scale = table.length_m / assumed.length_m
        check_table(size and BallSize(size.radius_m * scale, size.sd_m * scale, size.sightings), table)
    final = _refined(light, _rescaled(fit, assumed, table), table, NOSE_REACHES_M[1:])
    if final is None:
        raise InputError(NO_TABLE)
    fit = final
    elevation = fit.camera.elevation_deg(table)
    if elevation < LEAST_ELEVATION_DEG:
        raise InputError(
            f"the camera stands only {elevation:.0f} degrees above the cloth; mount it higher, at least 35 degrees."
        )
    camera, side = place_head(fit.camera, table, rotation_deg, head)
    return Setup(table, side, camera, automatic=corners_px is None)


def _middling(table: Table | None) -> Table:
    """The table to look for first: of the shape of the stated one, if any, but of a middling size.

    So a table that is stated wrongly is found all the same, and refused for what its balls say.
    """
    middle = STANDARD_TABLES[ASSUMED_TABLE]
    if table is None:
        return middle
    return replace(table, length_m=middle.length_m, width_m=table.width_m * middle.length_m / table.length_m)


def _find_table(still: Picture, light: Linear, table: Table, given: ClothOutline | None) -> CameraFit:
    """The best camera over the candidates for the cloth, refined on the lines. Raises InputError when there is none."""
    size = (still.shape[1], still.shape[0])
    outlines = find_cloth(still)[:MOST_OUTLINES] if given is None else [given]
    for outline in outlines:
        starts = _starts(outline, table, size) if given is None else start_cameras(outline, table, size, "nose")[:1]
        for start in starts:
            fit = _refined(light, start, table, NOSE_REACHES_M)
            if fit is not None and _credible(fit) and _same_cloth(light, fit.camera, table):
                return fit
    raise InputError(NO_TABLE if given is None else NO_TABLE_THERE)


def _starts(outline: ClothOutline, table: Table, size: tuple[int, int]) -> Iterator[CameraFit]:
    """What the sides of a region may be, the likeliest first: ends of the cloth, noses, outer edges of the rails."""
    yield from start_cameras(outline, table, size, "cloth")[:1]
    yield from start_cameras(outline, table, size, "nose")[:1]
    yield from start_inside_frame(outline, table, size)[:2]


def _refined(light: Linear, fit: CameraFit, table: Table, reaches_m: Sequence[float]) -> CameraFit | None:
    """The fit after passes over ever narrower strips; None when too few lines are seen.

    One side may still be missed while the camera is coarse; in the last pass every rail must be seen.
    """
    for k, reach in enumerate(reaches_m):
        lines = find_lines(
            light,
            fit.camera,
            table,
            fit.cloth_setback_m,
            fit.cloth_height_m,
            nose_reach_m=reach,
            shapes=reach < SHAPES_BELOW_M,
        )
        noses = sum(line.kind == "nose" for line in lines)
        rails = len({line.rail for line in lines})
        last = k == len(reaches_m) - 1
        if noses < (LEAST_NOSES if last else LEAST_NOSES - 1) or rails < (len(RAILS) if last else len(RAILS) - 1):
            return None
        fit = fit_camera(lines, table, fit.camera)
    return fit


def _credible(fit: CameraFit) -> bool:
    camera = fit.camera
    long_side = max(camera.width, camera.height)
    stray = abs(np.log(camera.focal_px / (0.9 * long_side)))
    return bool(camera.residual_px < MOST_RESIDUAL_SHARE * long_side and stray < MOST_FOCAL_STRAY)


def _same_cloth(light: Linear, camera: Camera, table: Table) -> bool:
    """Whether the tops of the cushions have about the bed's colour, as nothing else with four straight edges has."""
    alike = 0
    for rail in RAILS:
        bed = take_strip(light, camera, table, rail, -0.06, 0.0, (-0.015, 0.015))
        top = take_strip(light, camera, table, rail, 0.022, table.nose_height_m, (-0.012, 0.012))
        if len(bed.along_m) and len(top.along_m):
            inside = np.median(encoded(bed.colour), axis=(0, 1))
            outside = np.median(encoded(top.colour), axis=(0, 1))
            alike += np.linalg.norm(outside - inside) < MOST_CLOTH_CHANGE * np.linalg.norm(inside)
    return alike >= LEAST_NOSES


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
    dark = 0
    for corner in CORNERS:
        place = table.corner_m(corner)
        out = np.sign(place - table.centre_m)
        around = np.array([[*(place + out * d), 0.0] for d in (0.005, 0.015, 0.025)])
        hole = _brightness(light, camera, around)
        rail = "right" if corner.endswith("right") else "left"
        cushion, _ = rail_points(table, rail, np.linspace(0.25, 0.75, 9) * table.length_m, 0.02, table.nose_height_m)  # type: ignore[arg-type]
        dark += hole < POCKET_DARK_SHARE * _brightness(light, camera, cushion)
    return dark >= 3


def _brightness(light: Linear, camera: Camera, points_m: np.ndarray) -> float:
    pixels = np.round(camera.project(points_m)).astype(int)
    inside = (pixels >= 0).all(axis=1) & (pixels < [light.shape[1], light.shape[0]]).all(axis=1)
    if not inside.any():
        return float("nan")
    return float(np.median(light[pixels[inside, 1], pixels[inside, 0]].mean(axis=1)))
