"""The still of a clip with what stood in front of a rail for most of the film taken out.

A median of frames shows whatever was there in most of them. A person who stands at a rail for two thirds of a film, or
balls that are racked against it, would be in it; but as soon as the camera is known to a centimetre, each piece of each
rail can be looked at frame by frame, and the median be taken over those in which the cushion is free.
"""

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.camera_fit import rail_points
from calibration.cloth import Picture
from calibration.likeness import RailPieces, look_at_rail
from calibration.strips import linear_light
from calibration.table import RAILS, Rail, Table, Vector

# What of the picture belongs to a piece: so far inwards and outwards of the nose.
INWARDS_M, OUTWARDS_M = 0.11, 0.11
# Frames are compared in a picture reduced to this long side.
LONG_SIDE_PX = 960
# A piece that is covered in fewer frames than this is right in the median already.
LEAST_COVERED_SHARE = 0.3
LEAST_FREE = 1


def uncover_rails(frames: Sequence[Picture], still: Picture, camera: Camera, table: Table) -> Picture:
    """The ``still`` (median of the frames) with covered pieces of the rails taken from the frames that show them.

    The still itself is returned when every piece is free in most frames, or in none.
    """
    if len(frames) < 2:
        return still
    scale = min(1.0, LONG_SIDE_PX / max(camera.width, camera.height))
    looks: dict[Rail, list[RailPieces]] = {rail: [] for rail in RAILS}
    for frame in frames:
        # One after the other: in linear light a picture takes four times its memory.
        light = linear_light(cv2.resize(frame, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
        reduced = _reduced(camera, light.shape[1], light.shape[0], scale)
        for rail in RAILS:
            looks[rail].append(look_at_rail(light, reduced, table, rail))
    out = still
    for rail, pieces in looks.items():
        beds = np.stack([p.bed for p in pieces])
        if not np.isfinite(beds).all(axis=2).any():
            continue
        usual = np.nanmedian(beds.reshape(-1, 3), axis=0)
        free = np.stack([p.cushion(usual) & p.seen for p in pieces])
        for k, along in enumerate(pieces[0].along_m):
            covered, count = 1 - free[:, k].mean(), int(free[:, k].sum())
            if covered < LEAST_COVERED_SHARE or count < LEAST_FREE or not pieces[0].seen[k]:
                continue
            if out is still:
                out = still.copy()
            step = float(pieces[0].along_m[1] - pieces[0].along_m[0])
            _take(out, [f for f, ok in zip(frames, free[:, k], strict=True) if ok], camera, table, rail, along, step)
    return out


def _reduced(camera: Camera, width: int, height: int, scale: float) -> Camera:
    cx, cy = ((c + 0.5) * scale - 0.5 for c in camera.centre_px)
    return replace(camera, width=width, height=height, focal_px=camera.focal_px * scale, centre_px=(cx, cy))


def _take(
    out: Picture, frames: Sequence[Picture], camera: Camera, table: Table, rail: Rail, along_m: float, step_m: float
) -> None:
    """Put the median of ``frames`` over one piece of a rail into ``out``."""
    ends = along_m + np.array([-0.5, 0.5, 0.5, -0.5]) * step_m
    across: Vector = np.array([-INWARDS_M, -INWARDS_M, OUTWARDS_M, OUTWARDS_M])
    points, _ = rail_points(table, rail, ends, across, table.nose_height_m)
    corners = np.round(camera.project(points)).astype(np.int32)
    height, width = out.shape[:2]
    left, top = np.maximum(corners.min(axis=0), 0)
    right, bottom = np.minimum(corners.max(axis=0) + 1, [width, height])
    if left >= right or top >= bottom:
        return
    inside: NDArray[np.uint8] = np.zeros((bottom - top, right - left), np.uint8)
    cv2.fillConvexPoly(inside, corners - [left, top], 1)
    fresh = np.median(np.stack([f[top:bottom, left:right] for f in frames]), axis=0)
    part = out[top:bottom, left:right]
    part[inside > 0] = fresh[inside > 0].astype(np.uint8)
