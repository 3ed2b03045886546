"""Still pictures of a table: the background once for a camera, balls put into it exactly."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table
from tests.rendering.balls import Ball, highlight, meet, mirrored, shade_ball, shadow
from tests.rendering.light import encode, shade
from tests.rendering.scene import Array, Look, trace
from tests.rendering.view import box_rays, pixel_rays

Picture = NDArray[np.uint8]
Box = tuple[int, int, int, int]  # left, top, right, bottom; right and bottom excluded
CHUNK = 1 << 17
SHADOW_REACH = 3.2  # ball radii round a ball within which its shadow is drawn


def _inner_grid(samples: int) -> Array:
    """Places inside a pixel, (samples^2, 2), relative to its centre."""
    step = (np.arange(samples) + 0.5) / samples - 0.5
    return np.array([(u, v) for v in step for u in step])


@dataclass(frozen=True)
class Stage:
    """The empty table as a camera sees it, in linear light, with the place that each pixel shows."""

    camera: Camera
    table: Table
    look: Look
    light: NDArray[np.float32]
    places_m: NDArray[np.float32]
    fade: NDArray[np.float32]

    @classmethod
    def build(cls, camera: Camera, table: Table, look: Look, samples: int = 4) -> "Stage":
        """Trace the background: one ray a pixel, ``samples`` squared where two materials meet."""
        width, height = camera.width, camera.height
        count = width * height
        pixels = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=2).reshape(-1, 2).astype(float)
        material = np.empty(count, dtype=np.uint8)
        light, places = np.empty((count, 3), dtype=np.float32), np.empty((count, 3), dtype=np.float32)
        for first in range(0, count, CHUNK):
            part = slice(first, min(first + CHUNK, count))
            hits = trace(camera.position_m, pixel_rays(camera, pixels[part]), table, look)
            material[part], places[part] = hits.material, hits.place_m
            light[part] = shade(hits, table, look)
        # Pixels near which the material changes are sampled finely.
        grid = material.reshape(height, width)
        edge = np.zeros((height, width), dtype=bool)
        across, down = grid[:, 1:] != grid[:, :-1], grid[1:] != grid[:-1]
        edge[:, 1:] |= across
        edge[:, :-1] |= across
        edge[1:] |= down
        edge[:-1] |= down
        inner = _inner_grid(samples)
        rough = np.flatnonzero(edge)
        for first in range(0, len(rough), CHUNK // len(inner)):
            chosen = rough[first : first + CHUNK // len(inner)]
            fine = (pixels[chosen][:, None] + inner).reshape(-1, 2)
            shades = shade(trace(camera.position_m, pixel_rays(camera, fine), table, look), table, look)
            light[chosen] = shades.reshape(len(chosen), len(inner), 3).mean(axis=1)
        offset = (pixels - [(width - 1) / 2, (height - 1) / 2]) / np.hypot(width / 2, height / 2)
        fade = (1 - look.vignette * (offset**2).sum(axis=1)).astype(np.float32)
        light *= fade[:, None]
        shape = (height, width, 3)
        return cls(camera, table, look, light.reshape(shape), places.reshape(shape), fade.reshape(height, width))

    def box(self, ball: Ball) -> Box | None:
        """The pixels that a ball and its shadow may change; None when it is out of the picture."""
        radius = self.table.ball_radius_m * SHADOW_REACH
        centre = ball.centre_m(self.table)
        around = centre + radius * np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-0.3, 0.3)])
        seen = self.camera.project(around)
        left, top = np.floor(seen.min(axis=0)).astype(int) - 1
        right, bottom = np.ceil(seen.max(axis=0)).astype(int) + 2
        left, top = max(int(left), 0), max(int(top), 0)
        right, bottom = min(int(right), self.camera.width), min(int(bottom), self.camera.height)
        return (left, top, right, bottom) if left < right and top < bottom else None

    def patch(self, balls: Sequence[Ball], box: Box, samples: int = 4) -> NDArray[np.float32]:
        """Linear light of a box with the balls that lie in it."""
        left, top, right, bottom = box
        light = self.light[top:bottom, left:right].copy()
        places = self.places_m[top:bottom, left:right].astype(float)
        for ball in balls:
            light *= shadow(ball, places, self.table, self.look)[:, :, None].astype(np.float32)
        eye = self.camera.position_m
        for ball in sorted(balls, key=lambda b: -float(np.linalg.norm(b.centre_m(self.table) - eye))):
            self._put(ball, light, box, samples)
        return light

    def _put(self, ball: Ball, light: NDArray[np.float32], box: Box, samples: int) -> None:
        """Draw one ball into the linear light of a box, sampled ``samples`` squared times a pixel."""
        camera, table = self.camera, self.table
        centre, radius = ball.centre_m(table), table.ball_radius_m
        corners = centre + 1.1 * radius * np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
        seen = camera.project(corners)
        left, top = np.maximum(np.floor(seen.min(axis=0)).astype(int), box[:2])
        right, bottom = np.minimum(np.ceil(seen.max(axis=0)).astype(int) + 1, box[2:])
        if left >= right or top >= bottom:
            return
        inner = (np.arange(samples) + 0.5) / samples - 0.5
        us = (np.arange(left, right)[:, None] + inner).ravel()
        vs = (np.arange(top, bottom)[:, None] + inner).ravel()
        rays = box_rays(camera, us, vs).reshape(-1, 3)
        reach = meet(camera.position_m, rays, centre, radius)
        hit = np.isfinite(reach)
        low_by_rail = min(ball.x_m, ball.y_m, table.length_m - ball.x_m, table.width_m - ball.y_m) < 3 * radius
        if low_by_rail and hit.any():
            # Close to a rail, or in a pocket, the table may hide a part of the ball.
            hit[hit] = trace(camera.position_m, rays[hit], table, self.look).reach >= reach[hit] - 1e-9
        colours = np.zeros((len(rays), 3))
        surface = camera.position_m + rays[hit] * reach[hit][:, None]
        colours[hit] = shade_ball(ball, surface, table, self.look)
        if self.look.gloss:
            colours[hit] = mirrored(ball, colours[hit], camera.position_m, surface, table, self.look)
        colours[hit] += highlight(ball, camera.position_m, surface, table, self.look)
        shape = (bottom - top, samples, right - left, samples)
        cover = hit.reshape(shape).mean(axis=(1, 3))[:, :, None]
        fade = self.fade[top:bottom, left:right, None]
        part = light[top - box[1] : bottom - box[1], left - box[0] : right - box[0]]
        part *= 1 - cover
        part += np.minimum(colours, 1.0).reshape(*shape, 3).mean(axis=(1, 3)) * fade

    def empty(self) -> NDArray[np.float32]:
        """The empty table in levels of 255, without noise."""
        return encode(self.light)

    def still(self, balls: Sequence[Ball] = ()) -> NDArray[np.float32]:
        """The table with balls in levels of 255, without noise."""
        levels = self.empty()
        for members, box in clusters([(ball, self.box(ball)) for ball in balls]):
            left, top, right, bottom = box
            levels[top:bottom, left:right] = encode(self.patch(members, box))
        return levels


def clusters(boxed: Sequence[tuple[Ball, Box | None]]) -> list[tuple[list[Ball], Box]]:
    """Balls whose boxes overlap, together, with the box that holds them."""
    groups: list[tuple[list[Ball], Box]] = []
    for ball, box in boxed:
        if box is None:
            continue
        members = [ball]
        # A box that has grown may reach groups that it did not before.
        while near := [group for group in groups if _overlap(box, group[1])]:
            members = [one for group in near for one in group[0]] + members
            lefts, tops, rights, bottoms = zip(box, *(theirs for _, theirs in near), strict=True)
            box = (min(lefts), min(tops), max(rights), max(bottoms))
            groups = [group for group in groups if group not in near]
        groups.append((members, box))
    return groups


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def with_noise(levels: NDArray[np.float32], noise_sd: float, random: np.random.Generator) -> Picture:
    """Levels as a camera stores them: noise of a given sd added, rounded, clipped."""
    noise = random.standard_normal(levels.shape, dtype=np.float32) * np.float32(noise_sd)
    return np.clip(np.rint(levels + noise), 0, 255).astype(np.uint8)


def render_table(
    camera: Camera, table: Table, look: Look | None = None, balls: Sequence[Ball] = (), *, seed: int = 0
) -> Picture:
    """A still of a table, (height, width, 3) blue green red, with balls at rest."""
    look = look or Look()
    levels = Stage.build(camera, table, look).still(balls)
    return with_noise(levels, look.noise_sd, np.random.default_rng(seed))
