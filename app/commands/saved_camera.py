"""Camera files given to a command: read, checked to be a camera at all, held against the other options."""

import json
from pathlib import Path

import numpy as np

from calibration.camera import Setup
from calibration.errors import InputError

# How far the axes of a saved rotation may be from square and unit length.
SQUARE_WITHIN = 1e-3


def load_camera(path: Path, table: str, head: str | None) -> Setup:
    """A saved camera. Raises InputError when it is none, or when ``table`` or ``head`` say otherwise than it."""
    saved = Setup.load(path)
    camera, size = saved.camera, saved.table
    numbers = [camera.focal_px, *camera.centre_px, camera.k1, camera.k2, *camera.position_m, *camera.rotation.ravel()]
    numbers.append(saved.readout_s or 0.0)
    square = np.allclose(camera.rotation @ camera.rotation.T, np.eye(3), atol=SQUARE_WITHIN)
    if not (np.isfinite(numbers).all() and np.isfinite(camera.covariance).all() and square and camera.focal_px > 0):
        raise InputError(f"{path}: the numbers in the file are no camera's; make it anew with 'railpoint setup'.")
    if table not in ("auto", size.name):
        raise InputError(
            f"--table is {table}, but the camera in {path} was registered over a {size.name} table; leave --table "
            "away, or register the camera anew."
        )
    if head not in (None, saved.head):
        raise InputError(
            f"--head is {head}, but in {path} the head rail lies at the {saved.head}; leave --head away, or register "
            "the camera anew."
        )
    return saved


def check_replaced(path: Path | None) -> None:
    """Refuse to write a camera over a file that is something else; one that is damaged may be made anew."""
    if path is None or not path.is_file() or path.stat().st_size == 0:
        return
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        data = None
    if not (isinstance(data, dict) and "camera" in data):
        raise InputError(f"{path}: this file is there already and is no camera file; choose another name for --camera.")
