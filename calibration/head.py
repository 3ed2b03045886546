"""Which end of the table is the head: the user says on which side of the upright picture it lies.

A table looks the same after half a turn, so the picture cannot tell.
"""

from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from calibration.errors import InputError
from calibration.table import Table, Vector

SIDES: dict[str, tuple[float, float]] = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}
# A head rail is on the named side when it lies within 60 degrees of it, seen from the table's middle.
LEAST_COSINE = 0.5
OPPOSITE = {"head": "foot", "foot": "head", "left": "right", "right": "left", "side": "side"}


def turned_half(camera: Camera, table: Table) -> Camera:
    """The same camera in the frame of the table with head and foot exchanged."""
    mirror = np.diag([-1.0, -1.0, 1.0])
    sign = np.ones(len(camera.covariance))
    sign[8:10] = -1
    position = np.array([table.length_m, table.width_m, 0.0]) + mirror @ camera.position_m
    return replace(
        camera,
        rotation=camera.rotation @ mirror,
        position_m=position,
        covariance=camera.covariance * np.outer(sign, sign),
        unseen=tuple("-".join(OPPOSITE[part] for part in name.split("-")) for name in camera.unseen),
    )


def head_direction(camera: Camera, table: Table, rotation_deg: int) -> Vector:
    """Unit vector (right, down) in the upright picture from the table's middle to its head rail."""
    height = table.nose_height_m
    L, W = table.length_m, table.width_m
    head, foot = camera.project(np.array([[0, W / 2, height], [L, W / 2, height]]))
    angle = np.radians(rotation_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    direction = turn @ (head - foot)
    return direction / float(np.hypot(*direction))


def place_head(camera: Camera, table: Table, rotation_deg: int, head: str | None) -> tuple[Camera, str]:
    """The camera with the head rail on the named side of the upright picture, and the side's name.

    Parameters
    ----------
    camera : with either end taken as the head.
    rotation_deg : how far the stored frame is turned clockwise to stand upright.
    head : left, right, top or bottom; None for left when the long rails run more across the picture than up it, else
        bottom.

    Raises
    ------
    InputError : the side is not one of the four, or a long rail lies on it.
    """
    direction = head_direction(camera, table, rotation_deg)
    across = abs(direction[0]) > abs(direction[1])
    if head is None:
        head = "left" if across else "bottom"
    if head not in SIDES:
        raise InputError(f"head {head!r} is not a side of the picture; use one of {', '.join(SIDES)}.")
    towards = float(direction @ np.array(SIDES[head]))
    if abs(towards) < LEAST_COSINE:
        ends = "left or right" if across else "top or bottom"
        raise InputError(
            f"the head rail cannot lie on the {head} of the picture, where a long rail is; the short rails are on the "
            f"{ends.replace(' or ', ' and ')}, so name {ends}."
        )
    return (camera if towards > 0 else turned_half(camera, table)), head
