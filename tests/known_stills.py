"""Stills whose camera is known, altered versions of them, and how far a registered camera is from the truth.

The measure is where balls are put: the true camera says on which pixels centres of balls on a grid over the table fall,
the registered one says where on the table those pixels lie. (Judging a camera by known points of the scene rather than
by its parameters is the idea of "ProCC", arXiv 2404.09807.)
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import STANDARD_TABLES, Table, Vector

Picture = NDArray[np.uint8]
LEG_M = 1.0
STILLS = ("overhead_9ft", "off_centre_8ft", "oblique_9ft")


@dataclass(frozen=True)
class KnownStill:
    """A stored frame, the true camera and table, how far to turn the frame, and where the head is by default."""

    picture: Picture
    camera: Camera
    table: Table
    rotation_deg: int
    head: str


@dataclass(frozen=True)
class CameraError:
    """Errors of ball positions over the table and what the camera's covariance says of them."""

    mean_m: float
    worst_m: float
    rms_m: float
    stated_rms_m: float
    turn_rad: float
    stated_turn_rad: float


def known_still(name: str) -> KnownStill:
    folder = files("sample_frames")
    truth = json.loads((folder / "stills.truth.json").read_text(encoding="utf-8"))[name]
    picture = cv2.imread(str(folder / f"{name}.jpg"))
    assert picture is not None
    size = len(truth["camera"]["position_m"]) + 8
    camera = Camera.from_json({**truth["camera"], "covariance": np.zeros((size, size)).tolist()}, name)
    table = replace(STANDARD_TABLES[truth["table"]["name"]], **truth["table"])
    return KnownStill(np.asarray(picture, np.uint8), camera, table, truth["rotation_deg"], truth["head"])


def camera_error(found: Camera, true: Camera, table: Table) -> CameraError:
    """Compare on a grid of places that a ball's centre can take, at the height of the centre."""
    offset, radius = table.track_offset_m, table.ball_radius_m
    along = np.linspace(offset, table.length_m - offset, 21)
    across = np.linspace(offset, table.width_m - offset, 11)
    grid = np.array([(x, y) for x in along for y in across])
    pixels = true.project(np.column_stack([grid, np.full(len(grid), radius)]))
    by = found.to_plane(pixels, radius) - grid
    distance = np.hypot(by[:, 0], by[:, 1])
    sensitivity = found.plane_sensitivity(pixels, radius)
    variance = np.einsum("nij,jk,nik->n", sensitivity, found.covariance, sensitivity)
    arm = grid - grid.mean(axis=0)
    turn = float((arm[:, 0] @ by[:, 1] - arm[:, 1] @ by[:, 0]) / (arm**2).sum())
    return CameraError(
        float(distance.mean()),
        float(distance.max()),
        float(np.sqrt((distance**2).mean())),
        float(np.sqrt(variance.mean())),
        turn,
        found.common_bearing_sd_rad(table),
    )


def leg_bearing_errors_rad(found: Camera, true: Camera, table: Table) -> Vector:
    """How far off the bearings of straight legs of a metre come out that the true camera shows without any error.

    Legs (n,) in eight directions from nine places over the table, those of them that fit on it.
    """
    offset, radius = table.track_offset_m, table.ball_radius_m
    low, high = np.full(2, offset), np.array([table.length_m, table.width_m]) - offset
    errors = []
    for u in (0.15, 0.5, 0.85):
        for v in (0.15, 0.5, 0.85):
            start = low + [u, v] * (high - low)
            for bearing in np.arange(8) * np.pi / 4 + 0.2:
                leg = start + np.linspace(0, LEG_M, 11)[:, None] * [np.cos(bearing), np.sin(bearing)]
                if (leg < low).any() or (leg > high).any():
                    continue
                seen = found.to_plane(true.project(np.column_stack([leg, np.full(len(leg), radius)])), radius)
                along = np.linalg.svd(seen - seen.mean(axis=0))[2][0]
                along *= np.sign(along @ (seen[-1] - seen[0]))
                errors.append(np.angle(complex(*along) * np.exp(-1j * bearing)))
    return np.array(errors)


def _with_pixels(still: KnownStill, picture: Picture, change: Vector, shift: Vector) -> Camera:
    """The true camera when pixels p became ``change`` p + ``shift``, ``change`` being a turn or a mirror (2, 2)."""
    axes = np.eye(3)
    axes[:2, :2] = change
    centre = change @ np.array(still.camera.centre_px) + shift
    return replace(
        still.camera,
        width=picture.shape[1],
        height=picture.shape[0],
        centre_px=(float(centre[0]), float(centre[1])),
        rotation=axes @ still.camera.rotation,
    )


def as_it_is(still: KnownStill) -> KnownStill:
    return still


def mirrored(still: KnownStill) -> KnownStill:
    """Left and right exchanged as stored; the table in it is mirrored, with the sides of the frame y = 0 and y = W."""
    picture = np.ascontiguousarray(still.picture[:, ::-1])
    right = picture.shape[1] - 1
    camera = _with_pixels(still, picture, np.diag([-1.0, 1.0]), np.array([right, 0.0]))
    position = camera.position_m * [1, -1, 1] + [0, still.table.width_m, 0]
    camera = replace(camera, rotation=camera.rotation @ np.diag([1.0, -1.0, 1.0]), position_m=position)
    found = replace(still, picture=picture, camera=camera)
    # The default head stays on its side of the upright picture: when the mirror exchanges the ends, the frame turns.
    ends_exchanged = (still.head in ("left", "right")) == (still.rotation_deg in (0, 180))
    return _half_turned(found) if ends_exchanged else found


def _half_turned(still: KnownStill) -> KnownStill:
    """The same picture with head and foot exchanged."""
    turn = np.diag([-1.0, -1.0, 1.0])
    position = np.array([still.table.length_m, still.table.width_m, 0]) + turn @ still.camera.position_m
    return replace(still, camera=replace(still.camera, rotation=still.camera.rotation @ turn, position_m=position))


def turned_by_flag(still: KnownStill) -> KnownStill:
    """Stored upside down, with a rotation flag that puts it right."""
    picture = np.ascontiguousarray(still.picture[::-1, ::-1])
    corner = np.array([picture.shape[1] - 1.0, picture.shape[0] - 1.0])
    camera = _with_pixels(still, picture, -np.eye(2), corner)
    return replace(still, picture=picture, camera=camera, rotation_deg=(still.rotation_deg + 180) % 360)


def turned_by_pixels(still: KnownStill) -> KnownStill:
    """Stored a quarter turn clockwise from what it was, and the flag a quarter less."""
    picture = np.ascontiguousarray(np.rot90(still.picture, -1))
    camera = _with_pixels(still, picture, np.array([[0.0, -1.0], [1.0, 0.0]]), np.array([picture.shape[1] - 1.0, 0.0]))
    return replace(still, picture=picture, camera=camera, rotation_deg=(still.rotation_deg - 90) % 360)


def dimmed(still: KnownStill) -> KnownStill:
    return replace(still, picture=(still.picture // 2).astype(np.uint8))


def at_720p(still: KnownStill) -> KnownStill:
    scale = 720 / min(still.picture.shape[:2])
    picture = cv2.resize(still.picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    camera = replace(
        still.camera,
        width=picture.shape[1],
        height=picture.shape[0],
        focal_px=still.camera.focal_px * scale,
        centre_px=tuple((c + 0.5) * scale - 0.5 for c in still.camera.centre_px),
    )
    return replace(still, picture=np.asarray(picture, np.uint8), camera=camera)


def compressed(still: KnownStill) -> KnownStill:
    _, data = cv2.imencode(".jpg", still.picture, [cv2.IMWRITE_JPEG_QUALITY, 40])
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return replace(still, picture=np.asarray(picture, np.uint8))


VARIANTS: dict[str, Callable[[KnownStill], KnownStill]] = {
    "as it is": as_it_is,
    "mirrored": mirrored,
    "turned, flag": turned_by_flag,
    "turned, pixels": turned_by_pixels,
    "dimmed by half": dimmed,
    "720p": at_720p,
    "compressed": compressed,
}
