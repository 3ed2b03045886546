"""Balls as exact spheres: the outline from the ray test, light from the lamp, the room and the cloth, a soft shadow."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.table import Table
from tests.rendering.light import LAMP_RADIUS_M, direct, lamp_place, linear
from tests.rendering.scene import Array, Colour, Look

WHITE: Colour = (238, 234, 222)
RED: Colour = (196, 30, 34)
YELLOW: Colour = (226, 178, 40)
BLUE: Colour = (30, 60, 160)
BLACK: Colour = (24, 24, 26)


@dataclass(frozen=True)
class Ball:
    """A ball that lies, or rolls, on the cloth: centre x, y in metres, colour as seen on a screen.

    ``pattern``: "plain", "stripe" (white with a coloured band), "spots" (plain with six dark dots, as on a measle ball)
    or "disc" (coloured with two white discs, where a number would stand). ``turn`` (3, 3) is how it has rolled.
    """

    x_m: float
    y_m: float
    colour: Colour = WHITE
    pattern: str = "plain"
    turn: Array = field(default_factory=lambda: np.eye(3), compare=False)
    sink_m: float = 0.0  # how far below the cloth's level a falling ball has dropped

    def centre_m(self, table: Table) -> Array:
        return np.array([self.x_m, self.y_m, table.ball_radius_m - self.sink_m])


def _albedo(ball: Ball, normals: Array) -> Array:
    own = normals @ ball.turn
    base = np.broadcast_to(linear(ball.colour), normals.shape)
    white = np.broadcast_to(linear(WHITE), normals.shape)
    if ball.pattern == "stripe":
        return np.where(np.abs(own[:, 1:2]) < 0.55, base, white)
    if ball.pattern == "disc":
        return np.where(np.abs(own[:, :1]) > 0.92, white, base)
    if ball.pattern == "spots":
        return np.where(np.abs(own).max(axis=1, keepdims=True) > 0.975, linear((120, 20, 30)), base)
    return base


def meet(origin_m: Array, rays: Array, centre_m: Array, radius_m: float) -> Array:
    """Reach of rays (n, 3) to a sphere's near side; infinite where they pass it by."""
    offset = centre_m - origin_m
    square = (rays**2).sum(axis=1)
    along = rays @ offset
    inside = along**2 - square * (offset @ offset - radius_m**2)
    return np.where(inside > 0, (along - np.sqrt(np.maximum(inside, 0))) / square, np.inf)


def shade_ball(ball: Ball, places_m: Array, table: Table, look: Look) -> Array:
    """Linear light (n, 3) of places on the ball's surface (camera-facing); highlights are added by ``highlight``."""
    normals = (places_m - ball.centre_m(table)) / table.ball_radius_m
    albedo = _albedo(ball, normals)
    sky = 0.5 + 0.5 * normals[:, 2]
    lit = look.ambient * (0.25 + 0.75 * sky) + direct(places_m, normals, table, look)
    bounce = 0.25 * (1 - sky)[:, None] * linear(look.cloth)
    return look.light * albedo * (lit[:, None] + bounce)


def mirrored(
    ball: Ball, colours: Array, origin_m: Array, places_m: Array, table: Table, look: Look
) -> NDArray[np.float64]:
    """Colours (n, 3) of a ball with what it mirrors of the cloth beside it: Schlick's form of Fresnel's law.

    Lines of sight that a glossy ball throws upwards go to the room, which is dark but for the lamp (``highlight``).
    """
    normals = (places_m - ball.centre_m(table)) / table.ball_radius_m
    sight = places_m - origin_m
    sight = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    facing = np.clip(-(normals * sight).sum(axis=1, keepdims=True), 0, 1)
    share = look.gloss * (0.04 + 0.96 * (1 - facing) ** 5)
    down = (sight + 2 * facing * normals)[:, 2:] < 0
    return np.asarray(colours * (1 - share) + share * np.where(down, look.light * linear(look.cloth), 0.0))


def highlight(ball: Ball, origin_m: Array, places_m: Array, table: Table, look: Look) -> Array:
    """Linear light (n, 1) of the lamp's reflection."""
    normals = (places_m - ball.centre_m(table)) / table.ball_radius_m
    lamp, eye = lamp_place(table, look) - places_m, origin_m - places_m
    half = lamp / np.linalg.norm(lamp, axis=1, keepdims=True) + eye / np.linalg.norm(eye, axis=1, keepdims=True)
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    return 0.7 * look.light * np.maximum((normals * half).sum(axis=1, keepdims=True), 0) ** 250


def shadow(ball: Ball, places_m: Array, table: Table, look: Look) -> NDArray[np.float64]:
    """What is left (...,) of the light at places (..., 3) on the cloth beside a ball.

    The room's light is cut by the share of the sky that the ball covers (exact for a plane), the lamp's by how deep
    the line to the lamp runs inside the ball, softened over the lamp's width.
    """
    radius = table.ball_radius_m
    away = ball.centre_m(table) - places_m
    far = np.maximum(np.linalg.norm(away, axis=-1), radius)
    covered = np.clip(away[..., 2], 0, None) / far * (radius / far) ** 2
    towards = lamp_place(table, look) - places_m
    lamp_far = np.linalg.norm(towards, axis=-1, keepdims=True)
    towards = towards / lamp_far
    ahead = (away * towards).sum(axis=-1)
    passing = np.sqrt(np.maximum(far**2 - ahead**2, 0))
    soft = 0.15 * radius + LAMP_RADIUS_M * np.maximum(ahead, 0) / lamp_far[..., 0]
    dark = np.clip((radius + soft - passing) / (2 * soft), 0, 1)
    dark = np.where(ahead > 0, dark * dark * (3 - 2 * dark), 0)
    up = np.broadcast_to(np.array([0.0, 0.0, 1.0]), places_m.shape)
    lamp = direct(places_m, up, table, look)
    return np.asarray(1 - (look.ambient * covered + lamp * dark) / (look.ambient + lamp), dtype=float)
