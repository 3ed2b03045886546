"""Cameras to start from: every way in which a table of this shape can lie under a four-sided region."""

from dataclasses import replace

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import (
    CLOTH_HEIGHT_M,
    CLOTH_SETBACK_M,
    CameraFit,
    LineKind,
    LinePoints,
    fit_camera,
    rail_points,
)
from calibration.cloth import ClothOutline, outline_from_corners
from calibration.likeness import LEAST_INSIDE, inside_of
from calibration.pose import posed_camera
from calibration.table import RAILS, Rail, Table, Vector

FOCALS_OVER_LONG_SIDE = (0.95, 0.6, 1.5)
SIDE_POINTS = 20
COARSE_ITERATIONS = 15
# Squared standardised residual a point at which no other way to lay the table need be tried.
GOOD_COST = 1.0
# The outline is read to about a pixel of the reduced picture, and its error is shared along a side.
OUTLINE_SD_PX = 2.0
# How much farther out a far rail may lie than a camera has it that took another line for its nose.
FARTHER_OUT_M = tuple(np.arange(0.02, 0.17, 0.02))
# Noses to outer edges of the rails: rails of 4 to 7 1/2 in by the WPA's specification, cushions included.
FRAME_WIDTHS_M = (0.105, 0.12, 0.135, 0.15, 0.165, 0.18, 0.2)
SIDE_ORDER: tuple[Rail, ...] = ("right", "foot", "left", "head")


def start_cameras(outline: ClothOutline, table: Table, size: tuple[int, int], kind: LineKind) -> list[CameraFit]:
    """Coarse cameras for the two ways to lay the table's long rails on the region's sides, the better one first.

    ``size`` is (width, height) of the picture; ``kind`` tells what the region's sides are taken for: the outer edge of
    the cushions' cloth, or the noses. The half turn that exchanges head and foot is not decided here.
    """
    fits = []
    for turn in (0, 1):
        corners = np.roll(outline.corners_px, turn, axis=0)
        lines = _lines([outline.sides_px[(k - turn) % 4] for k in range(4)], corners, table, kind)
        best: CameraFit | None = None
        for focal in FOCALS_OVER_LONG_SIDE:
            start = _from_corners(corners, table, size, focal * max(size), kind)
            if start is None:
                continue
            fit = fit_camera(lines, table, start, tries=0, most=COARSE_ITERATIONS)
            best = fit if best is None or fit.cost < best.cost else best
            if best.cost < GOOD_COST * len(SIDE_ORDER) * SIDE_POINTS:
                break
        if best is not None:
            fits.append(best)
        if best is not None and best.cost < GOOD_COST * len(SIDE_ORDER) * SIDE_POINTS:
            break
    return sorted(fits, key=lambda fit: fit.cost)


def start_short_of_cushion(outline: ClothOutline, table: Table, size: tuple[int, int]) -> list[CameraFit]:
    """As ``start_cameras`` with the ends of the cloth, for a region that ends with the bed at a rail far away.

    A cushion whose inner side the camera faces is a strip beyond a dark line, and may be left out of the region where
    it is seen small. The side there is moved out by what such a cushion takes in the picture. What comes of these
    starts is a table only if the dark line shows: a region may be short of nothing.
    """
    fits: list[CameraFit] = []
    for whole in start_cameras(outline, table, size, "cloth")[:1]:
        for rail in RAILS:
            # Moved out, the far side makes the camera stand lower, so that a rail faces it more than it seems.
            if inside_of(whole.camera, table, rail) > LEAST_INSIDE / 2:
                moved = _with_cushion(outline, whole.camera, table, rail)
                fits += [] if moved is None else start_cameras(moved, table, size, "cloth")[:1]
    return sorted(fits, key=lambda fit: fit.cost)


def _with_cushion(outline: ClothOutline, camera: Camera, table: Table, rail: Rail) -> ClothOutline | None:
    """The outline with the side at a rail moved from the end of the bed to that of the cushion's cloth."""
    start, end = table.nose_segment(rail)
    middle = np.array([float(np.linalg.norm(end - start)) / 2])
    places = [
        rail_points(table, rail, middle, back, height)[0]
        for back, height in ((0.0, 0.0), (CLOTH_SETBACK_M, CLOTH_HEIGHT_M))
    ]
    bed_px, cloth_px = camera.project(np.concatenate(places))
    if not np.isfinite([bed_px, cloth_px]).all():
        return None
    corners = outline.corners_px
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    side = int(np.argmin(np.hypot(*(middles - cloth_px).T)))
    by = cloth_px - bed_px
    after = (side + 1) % 4
    along = corners[after] - corners[side]
    moved = corners.copy()
    for here, beyond in ((side, side - 1), (after, (side + 2) % 4)):
        # Along the neighbouring side, to where the moved one meets it.
        neighbour = corners[here] - corners[beyond]
        step = np.linalg.solve(np.column_stack([neighbour, -along]), corners[side] + by - corners[here])[0]
        moved[here] = corners[here] + step * neighbour
    sides = tuple(points + by if k == side else points for k, points in enumerate(outline.sides_px))
    return replace(outline, corners_px=moved, sides_px=sides)


def start_farther_out(camera: Camera, table: Table) -> list[CameraFit]:
    """Cameras that have a rail farther out than ``camera``, which faces it and took another line for its nose.

    Where a far cushion is seen small, its nose is mistaken for the foot of the bed, and the three other rails fit all
    the same, since a lower camera with a longer lens sees nearly that.
    """
    size = (camera.width, camera.height)
    fits: list[CameraFit] = []
    for rail in RAILS:
        if inside_of(camera, table, rail) < LEAST_INSIDE:
            continue
        for out_m in FARTHER_OUT_M:
            corners = np.array([table.nose_segment(side)[0] for side in SIDE_ORDER])
            _, outward = rail_points(table, rail, np.zeros(1), 0.0, table.nose_height_m)
            corners[[SIDE_ORDER.index(rail), (SIDE_ORDER.index(rail) + 1) % 4]] += out_m * outward.reshape(3)
            pixels = camera.project(corners)
            if np.isfinite(pixels).all():
                fits += start_cameras(outline_from_corners(pixels), table, size, "nose")[:1]
    return fits


def start_inside_frame(outline: ClothOutline, table: Table, size: tuple[int, int]) -> list[CameraFit]:
    """As ``start_cameras``, for a region whose sides are the outer edges of the rails.

    That happens where cloth and rails are of one colour. How wide the rails are is tried; the shape of the region, less
    than twice as long as wide by just as much, tells.
    """
    fits = []
    for width in FRAME_WIDTHS_M:
        outer = replace(table, length_m=table.length_m + 2 * width, width_m=table.width_m + 2 * width)
        for fit in start_cameras(outline, outer, size, "nose")[:1]:
            moved = replace(fit.camera, position_m=fit.camera.position_m - np.array([width, width, 0.0]))
            fits.append(replace(fit, camera=moved))
    return sorted(fits, key=lambda fit: fit.cost)


def _from_corners(
    corners: Vector, table: Table, size: tuple[int, int], focal_px: float, kind: LineKind
) -> Camera | None:
    back, height = (CLOTH_SETBACK_M, CLOTH_HEIGHT_M) if kind == "cloth" else (0.0, table.nose_height_m)
    L, W = table.length_m, table.width_m
    points = np.array(
        [
            [-back, -back, height],
            [L + back, -back, height],
            [L + back, W + back, height],
            [-back, W + back, height],
        ]
    )
    posed = posed_camera(points, corners, size, focal_px / max(size), cv2.SOLVEPNP_IPPE)
    return posed[0] if posed is not None and posed[0].position_m[2] >= 0.2 else None


def _lines(sides: list[Vector], corners: Vector, table: Table, kind: LineKind) -> list[LinePoints]:
    lines = []
    for k, rail in enumerate(SIDE_ORDER):
        start, end = table.nose_segment(rail)
        length = float(np.linalg.norm(end - start))
        chord = corners[(k + 1) % 4] - corners[k]
        points = sides[k][np.linspace(0, len(sides[k]) - 1, SIDE_POINTS).astype(int)]
        share = (points - corners[k]) @ chord / float(chord @ chord)
        lines.append(LinePoints(kind, rail, share * length, points, np.full(len(points), OUTLINE_SD_PX), 1.0, 0.3))
    return lines
