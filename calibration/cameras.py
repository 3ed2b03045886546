"""Several cameras at once: what each of them shows of points costs hardly more than what one does.

Slopes of a fit are taken so, by cameras that differ in one parameter each.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera, Matrix
from calibration.table import Vector


@dataclass(frozen=True)
class Cameras:
    """Some cameras, one a row: lens (c,) each and ``centre_px`` (c, 2), ``rotation`` (c, 3, 3), and ``position_m``
    (c, 3)."""

    focal_px: Vector
    centre_px: Matrix
    k1: Vector
    k2: Vector
    rotation: NDArray[np.float64]
    position_m: Matrix

    @classmethod
    def by(cls, camera: Camera) -> "Cameras":
        """One camera."""
        f, c, k1, k2 = (np.array([lens]) for lens in (camera.focal_px, camera.centre_px, camera.k1, camera.k2))
        return cls(f, c, k1, k2, camera.rotation[None], camera.position_m[None])

    @classmethod
    def beside(cls, camera: Camera, sizes: Sequence[float]) -> "Cameras":
        """A camera, and it moved in one after the other of ``camera.PARAMETERS`` by a step of its own size."""
        steps = np.vstack([np.zeros(len(sizes)), np.diag(sizes)])
        return cls(
            camera.focal_px * np.exp(steps[:, 0]),
            camera.centre_px + steps[:, 1:3],
            camera.k1 + steps[:, 3],
            camera.k2 + steps[:, 4],
            np.array([cv2.Rodrigues(turn)[0] for turn in steps[:, 5:8]]) @ camera.rotation,
            camera.position_m + steps[:, 8:],
        )

    def and_again(self, times: int) -> "Cameras":
        """These cameras, and the first of them so many times more."""
        which = np.append(np.arange(len(self.k1)), np.zeros(times, int))
        return Cameras(*(getattr(self, each.name)[which] for each in fields(self)))

    def pixels(self, points_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Pixels, x and y (..., c, n) each, of points (..., c, n, 3), as ``Camera.project`` tells them."""
        away = (points_m - self.position_m[:, None]) @ self.rotation.swapaxes(1, 2)
        depth = np.where(away[..., 2] > 1e-9, away[..., 2], np.nan)
        x, y = away[..., 0] / depth, away[..., 1] / depth
        r2 = x * x + y * y
        scale = self.focal_px[:, None] * (1 + r2 * (self.k1[:, None] + r2 * self.k2[:, None]))
        return x * scale + self.centre_px[:, :1], y * scale + self.centre_px[:, 1:]
