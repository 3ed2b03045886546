"""Stills of tables that are not wholly in the frame, made once for the tests that use them."""

from dataclasses import replace
from functools import cache

import numpy as np
from scipy.spatial.transform import Rotation

from calibration.camera import Camera
from calibration.cloth import Picture
from calibration.head import turned_half
from calibration.table import STANDARD_TABLES, Table
from tests.rendering import RED, WHITE, YELLOW, Ball, Look, overhead_camera, render_table

BALLS = (Ball(0.6, 0.4, WHITE), Ball(1.1, 0.75, RED), Ball(0.9, 0.3, YELLOW))


@cache
def cut_view(name: str, right_deg: float, down_deg: float, look: Look | None = None) -> tuple[Picture, Camera, Table]:
    """A view from above whose camera is turned to the right and down: picture, true camera, table."""
    table = STANDARD_TABLES[name]
    camera = overhead_camera(table, size=(960, 540), aside_m=(-0.4, -0.5), height_m=2.6)
    turn = Rotation.from_euler("xy", [-down_deg, -right_deg], degrees=True).as_matrix()
    camera = replace(camera, rotation=turn @ camera.rotation)
    return render_table(camera, table, look or Look(pockets=name != "carom"), BALLS), camera, table


def in_frame_errors_m(
    found: Camera, true: Camera, table: Table, *, either_end: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Errors of ball places (n,) where balls are in the frame, and their stated sds (n,) (both ways together).

    With ``either_end`` head and foot may be exchanged.
    """
    if either_end:
        both = [in_frame_errors_m(camera, true, table) for camera in (found, turned_half(found, table))]
        return min(both, key=lambda pair: float(pair[0].mean()))
    along, across = np.linspace(0.03, table.length_m - 0.03, 15), np.linspace(0.03, table.width_m - 0.03, 8)
    grid = np.array([(x, y) for x in along for y in across])
    pixels = true.project(np.column_stack([grid, np.full(len(grid), table.ball_radius_m)]))
    inside = ((pixels > 0) & (pixels < [true.width - 1, true.height - 1])).all(axis=1)
    off = found.to_plane(pixels[inside], table.ball_radius_m) - grid[inside]
    slope = found.plane_sensitivity(pixels[inside], table.ball_radius_m)
    variance = np.einsum("nij,jk,nik->n", slope, found.covariance, slope)
    return np.hypot(off[:, 0], off[:, 1]), np.sqrt(variance)
