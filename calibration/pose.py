"""A coarse camera from known places and where they are seen, for one focal length."""

import cv2
import numpy as np

from calibration.camera import Camera, Matrix
from calibration.camera_fit import K1_PRIOR


def posed_camera(
    places_m: Matrix, pixels: Matrix, size: tuple[int, int], focal_share: float, method: int
) -> tuple[Camera, float] | None:
    """The camera of a given focal length that sees places where they were seen, and how far off it is on average.

    Parameters
    ----------
    places_m, pixels : (n, 3) metres and (n, 2) pixels, n at least four.
    size : (width, height) of the picture.
    focal_share : focal length over the picture's long side; the distortion is the usual one.
    method : OpenCV's way to solve the perspective-n-point problem, ``cv2.SOLVEPNP_...``.

    Returns None when there is no solution; the distance is in pixels, NaN for a camera that has places behind it.
    """
    focal, centre = focal_share * max(size), ((size[0] - 1) / 2, (size[1] - 1) / 2)
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    lens = np.array([K1_PRIOR, 0.0, 0.0, 0.0])
    done, turn, shift = cv2.solvePnP(places_m, pixels, matrix, lens, flags=method)
    if not done:
        return None
    rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
    position = np.asarray(-rotation.T @ shift, dtype=float).ravel()
    camera = Camera(size[0], size[1], focal, centre, K1_PRIOR, 0.0, rotation, position)
    return camera, float(np.linalg.norm(camera.project(places_m) - pixels, axis=1).mean())
