"""Sheets of paper with printed markers, laid into the background of a made-up picture."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.markers import CELLS, Marker, marker_cells
from tests.rendering.light import direct
from tests.rendering.picture import Stage, _inner_grid
from tests.rendering.scene import Array, trace
from tests.rendering.view import pixel_rays

PAPER, INK = 0.85, 0.04  # share of the light that comes back


@dataclass(frozen=True)
class Sheet:
    """A marker as it truly lies, and its paper: how far it reaches from the marker's middle (left, right, down, up)."""

    marker: Marker
    paper_m: tuple[float, float, float, float] = (0.105, 0.105, 0.100, 0.127)


def put_sheets(stage: Stage, sheets: Sequence[Sheet], samples: int = 5) -> Stage:
    """The stage with sheets lying on it, sampled ``samples`` squared times a pixel; noses and rails hide what they do.

    Balls put in later roll over the paper as over the cloth, but get no brighter by it.
    """
    light = stage.light.copy()
    for sheet in sheets:
        _put(stage, light, sheet, samples)
    return replace(stage, light=light)


def _put(stage: Stage, light: Array, sheet: Sheet, samples: int) -> None:
    marker, camera = sheet.marker, stage.camera
    left, right, down, up = sheet.paper_m
    cos, sin = np.cos(marker.turn_rad), np.sin(marker.turn_rad)
    turn = np.array([[cos, -sin], [sin, cos]])
    outline = np.array([[-left, -down], [right, -down], [right, up], [-left, up]]) @ turn.T + marker.centre_m
    seen = camera.project(np.column_stack([outline, np.full(4, marker.height_m)]))
    low = np.maximum(np.floor(seen.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(seen.max(axis=0)).astype(int) + 3, [camera.width, camera.height])
    if (low >= high).any():
        return
    us, vs = np.arange(low[0], high[0]), np.arange(low[1], high[1])
    pixels = np.stack(np.meshgrid(us, vs), axis=2).reshape(-1, 1, 2) + _inner_grid(samples)
    rays = pixel_rays(camera, pixels.reshape(-1, 2))
    reach = (marker.height_m - camera.position_m[2]) / rays[:, 2]
    places = camera.position_m + rays * reach[:, None]
    local = (places[:, :2] - marker.centre_m) @ turn
    on = (local[:, 0] > -left) & (local[:, 0] < right) & (local[:, 1] > -down) & (local[:, 1] < up)
    # What stands above the paper hides it.
    on[on] = trace(camera.position_m, rays[on], stage.table, stage.look).reach[:] > reach[on] - 0.003
    white = np.full(len(local), True)
    column = np.floor(local[:, 0] / marker.size_m * CELLS + CELLS / 2).astype(int)
    row = np.floor(CELLS / 2 - local[:, 1] / marker.size_m * CELLS).astype(int)
    inside = (column >= 0) & (column < CELLS) & (row >= 0) & (row < CELLS)
    white[inside] = marker_cells(marker.id)[row[inside], column[inside]]
    up_m = np.broadcast_to([0.0, 0.0, 1.0], places.shape)
    lit = stage.look.light * (stage.look.ambient + direct(places, up_m, stage.table, stage.look))
    paper = np.where(on, np.where(white, PAPER, INK) * lit, 0.0)
    shape = (len(vs), len(us), samples**2)
    share = on.reshape(shape).mean(axis=2)
    part = light[low[1] : high[1], low[0] : high[0]]
    fade = stage.fade[low[1] : high[1], low[0] : high[0]]
    part *= (1 - share)[:, :, None]
    part += (paper.reshape(shape).mean(axis=2) * fade)[:, :, None]
