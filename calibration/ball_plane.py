"""The plane of ball centres as one camera sees it, looked up many times a frame.

The lens is undone from a table of its curve instead of by Newton's method: exact to a ten-thousandth of a pixel, in a
third of the time. Points go through it as ``Camera.project`` sends them, in compiled loops.
"""

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.camera import LEAST_DEPTH_M, Camera, Matrix
from calibration.compiled import compiled
from calibration.table import Vector

# Radii at which the lens's curve is tabulated, up to so many times the frame's farthest corner.
CURVE_RADII, BEYOND_CORNER = 4096, 1.5


class _View(NamedTuple):
    """What takes points to pixels: see ``Camera``."""

    position_m: Vector
    rotation: Matrix
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float


class BallPlane:
    """Where balls of one radius lie that are seen by a camera at pixels of its frame.

    Attributes
    ----------
    camera : the camera.
    radius_m : the balls' radius, and the height of their centres.
    """

    def __init__(self, camera: Camera, radius_m: float) -> None:
        self.camera = camera
        self.radius_m = radius_m
        cx, cy = camera.centre_px
        corners = np.array([(x - cx, y - cy) for x in (0, camera.width) for y in (0, camera.height)])
        farthest = float(np.hypot(*corners.T).max()) / camera.focal_px
        true_r2 = np.linspace(0.0, BEYOND_CORNER * farthest, CURVE_RADII) ** 2
        radial = 1 + true_r2 * (camera.k1 + true_r2 * camera.k2)
        slope = 1 + true_r2 * (3 * camera.k1 + true_r2 * 5 * camera.k2)
        # Up to where the lens folds the picture back, if it does.
        rising = CURVE_RADII if slope.min() > 0 else int(np.argmax(slope <= 0))
        self._seen_r2, self._share = (true_r2 * radial * radial)[:rising], 1 / radial[:rising]
        self._view = _View(
            np.ascontiguousarray(camera.position_m, float),
            np.ascontiguousarray(camera.rotation, float),
            float(camera.focal_px),
            (float(cx), float(cy)),
            float(camera.k1),
            float(camera.k2),
        )
        # Plain numbers, for one ball at a time.
        self._position_m = camera.position_m.tolist()
        # From directions (x, y, 1) in the camera's axes to places (x, y, w) on the plane; w is negative behind it.
        x, y, z = camera.position_m
        rotation = camera.rotation
        down = rotation[:, 2] / (radius_m - z)
        self._to_plane = np.column_stack([rotation[:, 0] + x * down, rotation[:, 1] + y * down, down])

    def places_m(self, pixels: Matrix) -> Matrix:
        """Centres (n, 2) of balls whose centres are seen at pixels (n, 2); NaN where no ray meets the plane."""
        return _places_m(
            np.ascontiguousarray(pixels, float),
            self.camera.centre_px,
            self.camera.focal_px,
            self._seen_r2,
            self._share,
            self._to_plane,
        )

    def pixels(self, points_m: Matrix) -> Matrix:
        """Pixels (n, 2) of points (n, 3), metres, on the plane or off it; NaN for points behind the camera."""
        return _pixels(np.ascontiguousarray(points_m, float), *self._view)

    def pixel(self, at_m: Vector) -> Vector:
        """Where the centre of a ball at (2,) is seen, (2,)."""
        return self.pixels(np.array([[at_m[0], at_m[1], self.radius_m]]))[0]

    def radii_px(self, at_m: Matrix) -> NDArray[np.float64]:
        """Mean apparent radii in pixels of balls at (n, 2), to first order: focal length over distance."""
        x, y = (at_m - self.camera.position_m[:2]).T
        z = self.radius_m - self.camera.position_m[2]
        radii: NDArray[np.float64] = self.camera.focal_px * self.radius_m / np.sqrt(x * x + y * y + z * z)
        return radii

    def radius_px(self, at_m: Vector) -> float:
        """Mean apparent radius in pixels of one ball at (2,), as ``radii_px`` tells it."""
        (x, y), (u, v, w) = at_m.tolist(), self._position_m
        return self._view.focal_px * self.radius_m / sqrt((x - u) ** 2 + (y - v) ** 2 + (self.radius_m - w) ** 2)


@compiled
def _pixels(
    points_m: Matrix,
    position_m: Vector,
    rotation: Matrix,
    focal_px: float,
    centre_px: tuple[float, float],
    k1: float,
    k2: float,
) -> Matrix:
    """Pixels (n, 2) of points (n, 3), metres: ``Camera.project``, point by point."""
    pixels = np.empty((len(points_m), 2))
    for n in range(len(points_m)):
        along, across, above = (
            points_m[n, 0] - position_m[0],
            points_m[n, 1] - position_m[1],
            points_m[n, 2] - position_m[2],
        )
        x = rotation[0, 0] * along + rotation[0, 1] * across + rotation[0, 2] * above
        y = rotation[1, 0] * along + rotation[1, 1] * across + rotation[1, 2] * above
        z = rotation[2, 0] * along + rotation[2, 1] * across + rotation[2, 2] * above
        if z > LEAST_DEPTH_M:
            x, y = x / z, y / z
            r2 = x * x + y * y
            radial = 1 + r2 * (k1 + r2 * k2)
            pixels[n, 0], pixels[n, 1] = focal_px * x * radial + centre_px[0], focal_px * y * radial + centre_px[1]
        else:
            pixels[n, 0] = pixels[n, 1] = np.nan
    return pixels


@compiled
def _places_m(
    pixels: Matrix, centre_px: tuple[float, float], focal_px: float, seen_r2: Vector, share: Vector, to_plane: Matrix
) -> Matrix:
    """Places (n, 2), metres, on a plane of what is seen at pixels (n, 2).

    At a seen radius whose square is one of ``seen_r2`` (k,), in focal lengths, the true one is a ``share`` (k,) of it;
    ``to_plane`` (3, 3) leads from directions to places (x, y, w).
    """
    places = np.empty_like(pixels)
    last = len(seen_r2) - 1
    for n in range(len(pixels)):
        x, y = (pixels[n, 0] - centre_px[0]) / focal_px, (pixels[n, 1] - centre_px[1]) / focal_px
        r2 = x * x + y * y
        k = min(max(np.searchsorted(seen_r2, r2) - 1, 0), last - 1)
        between = min(max((r2 - seen_r2[k]) / (seen_r2[k + 1] - seen_r2[k]), 0.0), 1.0)
        undone = share[k] + between * (share[k + 1] - share[k])
        x, y = x * undone, y * undone
        weight = x * to_plane[0, 2] + y * to_plane[1, 2] + to_plane[2, 2]
        for axis in range(2):
            ahead = x * to_plane[0, axis] + y * to_plane[1, axis] + to_plane[2, axis]
            places[n, axis] = ahead / weight if weight > 0 else np.nan
    return places
