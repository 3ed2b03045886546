"""The camera model: table coordinates to pixels and back to any horizontal plane, with the covariance of both.

OpenCV's pinhole model with two radial terms (Brown 1966; the form of the OpenCV documentation, "Camera Calibration and
3D Reconstruction"): x_cam = R (X - position), pixel (0, 0) is the centre of the top-left pixel. One focal length
serves both axes. All pixels are those of the stored frame, before the clip's rotation flag is applied.
"""

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from calibration.table import Table, Vector

Matrix = NDArray[np.float64]

# Order of the parameters in every covariance. The turn is a small rotation vector applied in the camera's frame.
PARAMETERS = ("log_focal", "cx", "cy", "k1", "k2", "turn_x", "turn_y", "turn_z", "pos_x", "pos_y", "pos_z")
# Steps by which derivatives with respect to them are taken.
PARAMETER_STEPS = (1e-4, 0.5, 0.5, 1e-3, 1e-3, 1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3)

# Undoing a lens: the least slope of its curve from true to seen radius, and the most that it draws a radius in.
LEAST_SLOPE, MOST_STRETCH = 0.2, 4.0
# What is nearer to the camera's own plane, or behind it, is not seen.
LEAST_DEPTH_M = 1e-9


@dataclass(frozen=True)
class Camera:
    """A camera in the table's frame.

    Attributes
    ----------
    width, height : size of the stored frame in pixels.
    focal_px, centre_px, k1, k2 : the lens.
    rotation : (3, 3), table axes to camera axes (x right, y down, z forward).
    position_m : (3,) where the camera stands.
    covariance : (11, 11) in the order of ``PARAMETERS``; zeros for a camera that is given as exact.
    determined : for each of focal, distortion, centre and height whether the view told it, or a prior had to.
    unseen : rails of which no line was seen (``"foot"``) and corners outside the frame (``"foot-left"``).
    """

    width: int
    height: int
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    rotation: Matrix
    position_m: Vector
    covariance: Matrix = field(default_factory=lambda: np.zeros((len(PARAMETERS), len(PARAMETERS))))
    determined: dict[str, bool] = field(default_factory=dict)
    residual_px: float = float("nan")
    unseen: tuple[str, ...] = ()

    @property
    def matrix(self) -> Matrix:
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def distortion(self) -> Vector:
        return np.array([self.k1, self.k2, 0.0, 0.0])

    def moved(self, step: Vector) -> "Camera":
        """This camera with ``step`` (11,) added to its parameters in the order of ``PARAMETERS``."""
        return replace(
            self,
            focal_px=self.focal_px * float(np.exp(step[0])),
            centre_px=(self.centre_px[0] + float(step[1]), self.centre_px[1] + float(step[2])),
            k1=self.k1 + float(step[3]),
            k2=self.k2 + float(step[4]),
            rotation=cv2.Rodrigues(np.asarray(step[5:8], dtype=float))[0] @ self.rotation,
            position_m=self.position_m + step[8:11],
        )

    def project(self, points_m: Matrix) -> Matrix:
        """Pixels of points, (n, 3) metres to (n, 2). NaN for points behind the camera."""
        points = np.atleast_2d(np.asarray(points_m, dtype=float))
        x, y, z = ((points - self.position_m) @ self.rotation.T).T
        pixels = np.empty((len(points), 2))
        pixels[:, 0], pixels[:, 1] = self._through_lens(x, y, z)
        return pixels

    def project_beside(self, starts_m: Matrix, direction: Vector, reaches_m: Vector) -> tuple[Matrix, Matrix]:
        """Pixels, x and y (n, k) each, of what lies at ``reaches_m`` (k,) in a ``direction`` (3,) from starts (n, 3).

        As ``project`` tells it, in a fifth of the time: no more than the starts are turned into the camera's axes.
        """
        starts = (starts_m - self.position_m) @ self.rotation.T
        x, y, z = (
            start[:, None] + step * reaches_m for start, step in zip(starts.T, self.rotation @ direction, strict=True)
        )
        return self._through_lens(x, y, z)

    def _through_lens(self, x: Matrix, y: Matrix, z: Matrix) -> tuple[Matrix, Matrix]:
        """Pixels, x and y, of points in the camera's axes, arrays of one shape. NaN for points behind the camera."""
        depth = np.where(z > LEAST_DEPTH_M, z, np.nan)
        x, y = x / depth, y / depth
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * self.k2)
        cx, cy = self.centre_px
        return self.focal_px * x * radial + cx, self.focal_px * y * radial + cy

    def rays(self, pixels: Matrix) -> Matrix:
        """Directions in the table's frame, not normalised, of pixels (n, 2): shape (n, 3)."""
        pixels = np.atleast_2d(np.asarray(pixels, dtype=float))
        distorted = (pixels - self.centre_px) / self.focal_px
        seen_r2 = (distorted * distorted).sum(axis=1)
        share = np.ones(len(distorted))
        # Only the length changes: Newton's method for s (1 + k1 s^2 r_d^2 + k2 s^4 r_d^4) = 1. The bounds are reached
        # only where a lens folds the picture back.
        for _ in range(30):
            r2 = seen_r2 * share * share
            first, second = self.k1 * r2, self.k2 * r2 * r2
            step = (share * (1 + first + second) - 1) / np.maximum(1 + 3 * first + 5 * second, LEAST_SLOPE)
            before, share = share, np.clip(share - step, 0.0, MOST_STRETCH)
            if np.abs(share - before).max(initial=0.0) < 1e-12:
                break
        xy = distorted * share[:, None]
        return np.column_stack([xy, np.ones(len(xy))]) @ self.rotation

    def to_plane(self, pixels: Matrix, height_m: float) -> Matrix:
        """Where pixels (n, 2) meet the plane z = ``height_m``: (n, 2) metres. NaN for rays that never do."""
        rays = self.rays(pixels)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = (height_m - self.position_m[2]) / rays[:, 2]
        reach = np.where(reach > 0, reach, np.nan)
        return self.position_m[:2] + rays[:, :2] * reach[:, None]

    def plane_jacobian(self, pixels: Matrix, height_m: float) -> NDArray[np.float64]:
        """Derivative of ``to_plane`` with respect to the pixel: (n, 2, 2) metres per pixel."""
        pixels = np.atleast_2d(np.asarray(pixels, dtype=float))
        step = 0.5
        columns = [
            (self.to_plane(pixels + offset, height_m) - self.to_plane(pixels - offset, height_m)) / (2 * step)
            for offset in (np.array([step, 0.0]), np.array([0.0, step]))
        ]
        return np.stack(columns, axis=2)

    def plane_sensitivity(self, pixels: Matrix, height_m: float) -> NDArray[np.float64]:
        """Derivative of ``to_plane`` with respect to the camera's parameters: (n, 2, 11)."""
        columns = []
        for k, size in enumerate(PARAMETER_STEPS):
            step = np.zeros(len(PARAMETER_STEPS))
            step[k] = size
            ahead = self.moved(step).to_plane(pixels, height_m)
            columns.append((ahead - self.moved(-step).to_plane(pixels, height_m)) / (2 * size))
        return np.stack(columns, axis=2)

    def common_bearing_sd_rad(self, table: Table) -> float:
        """How far an error of this camera would turn all bearings by, as a standard deviation.

        The errors of the parameters move every ball position; of those moves, the rigid turn of the field of positions
        over the table is what bearings share. It is read off the mean rotation (half the curl) on a grid.
        """
        along = np.linspace(0.1, 0.9, 5)
        xy = np.array([(u * table.length_m, v * table.width_m) for u in along for v in along])
        height = np.full((len(xy), 1), table.ball_radius_m)
        sensitivity = self.plane_sensitivity(self.project(np.hstack([xy, height])), table.ball_radius_m)
        offset = xy - xy.mean(axis=0)
        turn = (offset[:, 0] @ sensitivity[:, 1] - offset[:, 1] @ sensitivity[:, 0]) / (offset**2).sum()
        return float(np.sqrt(max(turn @ self.covariance @ turn, 0.0)))

    def mm_per_px(self, table: Table) -> float:
        """Size of a pixel on the balls' plane at the table's centre, in millimetres."""
        centre = self.project(np.array([[*table.centre_m, table.ball_radius_m]]))
        return float(1000 * np.sqrt(abs(np.linalg.det(self.plane_jacobian(centre, table.ball_radius_m)[0]))))

    def elevation_deg(self, table: Table) -> float:
        """How high the camera stands above the cloth's plane, seen from the table's centre."""
        offset = self.position_m - np.array([*table.centre_m, 0.0])
        return float(np.degrees(np.arctan2(offset[2], np.hypot(offset[0], offset[1]))))

    def to_json(self) -> dict[str, Any]:
        return {
            "width": self.width,
            "height": self.height,
            "focal_px": self.focal_px,
            "centre_px": list(self.centre_px),
            "k1": self.k1,
            "k2": self.k2,
            "rotation": self.rotation.tolist(),
            "position_m": self.position_m.tolist(),
            "parameters": list(PARAMETERS),
            "covariance": self.covariance.tolist(),
            "determined": self.determined,
            "residual_px": self.residual_px if np.isfinite(self.residual_px) else None,
            "unseen": list(self.unseen),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any], where: str) -> "Camera":
        """Raises InputError, naming ``where``, when a field is missing or is not what it should be."""
        try:
            residual = data.get("residual_px")
            camera = cls(
                width=int(data["width"]),
                height=int(data["height"]),
                focal_px=float(data["focal_px"]),
                centre_px=(float(data["centre_px"][0]), float(data["centre_px"][1])),
                k1=float(data["k1"]),
                k2=float(data["k2"]),
                rotation=np.array(data["rotation"], dtype=float).reshape(3, 3),
                position_m=np.array(data["position_m"], dtype=float).reshape(3),
                covariance=np.array(data["covariance"], dtype=float).reshape(len(PARAMETERS), len(PARAMETERS)),
                determined=dict(data.get("determined", {})),
                residual_px=float("nan") if residual is None else float(residual),
                unseen=tuple(str(name) for name in data.get("unseen", ())),
            )
        except (AttributeError, KeyError, IndexError, TypeError, ValueError) as error:
            raise InputError(
                f"{where}: the camera's {error} is missing or not a number; make the file anew with 'railpoint setup'."
            ) from error
        return camera


SCHEMA = 1


@dataclass(frozen=True)
class Setup:
    """What ``railpoint setup`` saves: the table and the camera over it. ``head`` is the side of the upright picture.

    ``readout_s``: how long the sensor takes from the first row of the stored picture to the last (negative: from the
    last to the first); None when nothing was said of it.
    """

    table: Table
    head: str
    camera: Camera
    automatic: bool = True
    readout_s: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "table": asdict(self.table),
            "head": self.head,
            "automatic": self.automatic,
            "readout_s": self.readout_s,
            "camera": self.camera.to_json(),
        }

    def save(self, path: Path) -> None:
        try:
            path.write_text(json.dumps(self.to_json(), indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise InputError(
                f"{path}: the camera file cannot be written ({error.strerror}); choose another place."
            ) from error

    @classmethod
    def load(cls, path: Path) -> "Setup":
        """Raises InputError when the file is missing, is not JSON, or is of another schema."""
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise InputError(f"{path}: the camera file cannot be read ({error.strerror}).") from error
        except ValueError as error:
            raise InputError(f"{path}: this is not a camera file; make one with 'railpoint setup'.") from error
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise InputError(f"{path}: this is not a camera file of schema {SCHEMA}; make one with 'railpoint setup'.")
        try:
            table = Table(**data["table"])
            head, automatic, camera = str(data["head"]), bool(data["automatic"]), data["camera"]
            readout = data.get("readout_s")
            readout_s = None if readout is None else float(readout)
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"{path}: the table in the camera file is incomplete; make it anew with 'railpoint setup'."
            ) from error
        return cls(table, head, Camera.from_json(camera, str(path)), automatic, readout_s)
