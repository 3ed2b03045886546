"""The outline of a ball in the picture: exact ellipse, its centre, and points of it through the lens.

A sphere's outline is an ellipse that is not centred on the picture of the sphere's centre: it lies further out, by
f tan a sin^2 b / (cos^2 a - sin^2 b) for a ball seen a off the axis under the half angle b (closed form of the tangent
cone cut by the picture plane; "Correcting the eccentricity error of projected spherical objects in perspective
cameras", Remote Sensing 13(16), 3269, 2021, treats the same offset). For a pool ball it is a twentieth to a tenth of a
pixel at 1080p, always outwards.
"""

from dataclasses import dataclass
from functools import cache
from math import pi, sqrt

import numpy as np

from calibration.camera import Camera, Matrix
from calibration.table import Vector


@dataclass(frozen=True)
class OutlineEllipse:
    """An outline in undistorted pixels from the principal point.

    Attributes
    ----------
    centre_px : (2,) centre of the ellipse.
    sphere_centre_px : (2,) picture of the sphere's centre.
    semi_radial_px, semi_tangential_px : semi-axes, along the line through the principal point and across it; the
        radial one is the longer.
    angle_rad : direction of the radial axis from +u towards +v; 0 for a ball on the axis.
    """

    centre_px: Vector
    sphere_centre_px: Vector
    semi_radial_px: float
    semi_tangential_px: float
    angle_rad: float

    @property
    def offset_px(self) -> Vector:
        """From the picture of the sphere's centre to the ellipse's centre, (2,)."""
        return self.centre_px - self.sphere_centre_px


def outline_ellipse(focal_px: float, centre_cam_m: Vector, radius_m: float) -> OutlineEllipse:
    """Exact outline of a sphere with centre (3,) in the camera's frame (x right, y down, z forward), metres.

    Raises ValueError when the camera is inside the sphere, or when the sphere reaches the camera's own plane and its
    outline is no ellipse.
    """
    distance = float(np.linalg.norm(centre_cam_m))
    sin_b2 = (radius_m / distance) ** 2 if distance > 0 else np.inf
    cos_a = float(centre_cam_m[2]) / distance if distance > 0 else 0.0
    spread = cos_a**2 - sin_b2
    if cos_a <= 0 or spread <= 0:
        raise ValueError("the sphere is not wholly in front of the camera; it has no elliptic outline")
    across = float(np.hypot(*centre_cam_m[:2]))
    radial = np.asarray(centre_cam_m[:2], dtype=float) / across if across > 0 else np.array([1.0, 0.0])
    sin_a = across / distance
    sin_b = float(np.sqrt(sin_b2))
    return OutlineEllipse(
        centre_px=radial * (focal_px * sin_a * cos_a / spread),
        sphere_centre_px=radial * (focal_px * sin_a / cos_a),
        semi_radial_px=focal_px * sin_b * float(np.sqrt(1 - sin_b2)) / spread,
        semi_tangential_px=focal_px * sin_b / float(np.sqrt(spread)),
        angle_rad=float(np.arctan2(radial[1], radial[0])),
    )


def outline_px(camera: Camera, centre_m: Vector, radius_m: float, n: int = 72) -> Matrix:
    """``n`` pixels (n, 2) of a sphere's outline as the camera shows it, lens distortion included.

    They are the pictures of the circle in which the camera's tangent cone touches the sphere: centre (1 - R^2/D^2) of
    the way to the sphere's centre, radius R sqrt(1 - R^2/D^2).
    """
    return camera.project(centre_and_outline_m(camera, centre_m, radius_m, n)[1:])


def centre_and_outline_m(camera: Camera, centre_m: Vector, radius_m: float, n: int) -> Matrix:
    """A sphere's centre, and after it ``n`` of its points that the camera sees as its outline: (1 + n, 3) metres."""
    towards = np.asarray(centre_m, dtype=float) - camera.position_m
    x, y, z = towards.tolist()
    distance = sqrt(x * x + y * y + z * z)
    share = 1 - (radius_m / distance) ** 2
    x, y, z = x / distance, y / distance, z / distance
    # Two directions across the line of sight, written out: this runs for every ball of every frame.
    long = sqrt(x * x + y * y) if abs(z) < 0.9 else sqrt(y * y + z * z)
    fx, fy, fz = (y / long, -x / long, 0.0) if abs(z) < 0.9 else (0.0, z / long, -y / long)
    across = np.array([[fx, fy, fz], [y * fz - z * fy, z * fx - x * fz, x * fy - y * fx]])
    points = np.empty((1 + n, 3))
    points[0] = centre_m
    np.matmul(_circle(n), across * (radius_m * sqrt(share)), out=points[1:])
    points[1:] += camera.position_m + share * towards
    return points


@cache
def _circle(n: int) -> Matrix:
    turn = np.arange(n) * (2 * pi / n)
    return np.column_stack([np.cos(turn), np.sin(turn)])


def outline_centre_px(camera: Camera, centres_m: Matrix, radius_m: float) -> Matrix:
    """Where the middle of each ball's outline appears, pixels (n, 2), for centres (n, 3) in metres.

    The ellipse's centre is found without the lens and then sent through it; against the middle of the distorted
    outline that is exact to a hundredth of a pixel for lenses that show a table with straight-looking rails.
    """
    centres = np.atleast_2d(np.asarray(centres_m, dtype=float))
    seen = (centres - camera.position_m) @ camera.rotation.T
    # S_xy S_z / (S_z^2 - R^2) is the closed form f sin a cos a / (cos^2 a - sin^2 b) over f, without angles.
    middle = seen[:, :2] * (seen[:, 2] / (seen[:, 2] ** 2 - radius_m**2))[:, None]
    directions = np.column_stack([middle, np.ones(len(middle))])
    return camera.project(camera.position_m + directions @ camera.rotation)


def ball_centre_on_plane_m(camera: Camera, outline_centres_px: Matrix, height_m: float, radius_m: float) -> Matrix:
    """Centres (n, 2), metres, of balls at ``height_m`` whose outlines' middles are at pixels (n, 2).

    Undoes ``outline_centre_px``: the offset is so small that three rounds settle it far below a micrometre.
    """
    pixels = np.atleast_2d(np.asarray(outline_centres_px, dtype=float))
    place = camera.to_plane(pixels, height_m)
    for _ in range(3):
        centres = np.column_stack([place, np.full(len(place), height_m)])
        offset = outline_centre_px(camera, centres, radius_m) - camera.project(centres)
        place = camera.to_plane(pixels - offset, height_m)
    return place
