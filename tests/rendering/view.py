"""Cameras for made-up pictures, and the rays of their pixels.

The rays are undone by OpenCV rather than by ``Camera.rays``, so that a mistake in the program's own lens model would
show as a disagreement between picture and program.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table

Array = NDArray[np.float64]


def looking_at(
    position_m: tuple[float, float, float],
    target_m: tuple[float, float, float],
    *,
    size: tuple[int, int] = (1280, 720),
    focal_px: float = 1230.0,
    up: tuple[float, float, float] = (0.0, 1.0, 0.0),
    roll_deg: float = 0.0,
    k1: float = 0.0,
    k2: float = 0.0,
    centre_px: tuple[float, float] | None = None,
) -> Camera:
    """A camera at a place that looks at another, ``up`` (a table direction) pointing up in the picture."""
    forward = np.subtract(target_m, position_m).astype(float)
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    roll = np.radians(roll_deg)
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1.0]])
    width, height = size
    return Camera(
        width=width,
        height=height,
        focal_px=focal_px,
        centre_px=centre_px or ((width - 1) / 2, (height - 1) / 2),
        k1=k1,
        k2=k2,
        rotation=turn @ rotation,
        position_m=np.array(position_m, dtype=float),
    )


def overhead_camera(
    table: Table,
    *,
    size: tuple[int, int] = (1280, 720),
    height_m: float = 2.8,
    aside_m: tuple[float, float] = (0.04, -0.03),
    fill: float = 0.86,
    roll_deg: float = 0.6,
    k1: float = -0.03,
    k2: float = 0.0,
) -> Camera:
    """Almost straight above the table, the foot rail to the right, the table filling ``fill`` of the picture."""
    x, y = table.centre_m + aside_m
    width, height = size
    focal = fill * height_m * min(width / (table.length_m + 0.3), height / (table.width_m + 0.3))
    target = (float(table.centre_m[0]), float(table.centre_m[1]), 0.0)
    return looking_at((x, y, height_m), target, size=size, focal_px=focal, roll_deg=roll_deg, k1=k1, k2=k2)


def oblique_camera(
    table: Table,
    *,
    size: tuple[int, int] = (1280, 720),
    behind_m: float = 1.0,
    aside_m: float = 0.1,
    height_m: float = 2.6,
    focal_px: float | None = None,
    roll_deg: float = 1.0,
    k1: float = -0.06,
    k2: float = 0.01,
) -> Camera:
    """Beyond the head rail, looking down the table: the foot rail at the top of the picture."""
    x, y = table.centre_m
    return looking_at(
        (-behind_m, float(y) + aside_m, height_m),
        (float(x) * 0.85, float(y), 0.0),
        size=size,
        focal_px=focal_px or 0.95 * size[1],
        up=(1.0, 0.0, 0.0),
        roll_deg=roll_deg,
        k1=k1,
        k2=k2,
    )


def pixel_rays(camera: Camera, pixels: Array) -> Array:
    """Directions in the table's frame (camera depth 1) of pixels (n, 2): shape (n, 3)."""
    flat = np.ascontiguousarray(pixels, dtype=float).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 15, 1e-9)
    xy = cv2.undistortPointsIter(flat, camera.matrix, camera.distortion, np.eye(3), np.eye(3), criteria)
    rays: Array = np.column_stack([xy.reshape(-1, 2), np.ones(len(flat))]) @ camera.rotation
    return rays


def box_rays(camera: Camera, us: Array, vs: Array) -> Array:
    """Rays of a small lattice of pixels, (len(vs), len(us), 3), by a parabola through three each way.

    Over a ball's box a lens bends so little that this is exact to a thousandth of a pixel, and it is quick.
    """

    def weights(at: Array) -> tuple[Array, Array]:
        low, high = float(at[0]), float(at[-1]) + 1e-9
        s = 2 * (at - low) / (high - low) - 1
        return np.array([low, (low + high) / 2, high]), np.column_stack([s * (s - 1) / 2, 1 - s * s, s * (s + 1) / 2])

    (node_u, weight_u), (node_v, weight_v) = weights(us), weights(vs)
    nodes = np.stack(np.meshgrid(node_u, node_v), axis=2).reshape(-1, 2)
    rays = pixel_rays(camera, nodes).reshape(3, 3, 3)
    return np.asarray(np.einsum("vj,ui,jic->vuc", weight_v, weight_u, rays))
