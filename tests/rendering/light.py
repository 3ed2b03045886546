"""Light and colour of the made-up pictures: screen colours to linear light and back, one soft lamp, textures."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.table import Table
from tests.rendering.scene import CUSHION_WIDTH_M, Array, Colour, Hits, Look, Material

GAMMA = 2.2
LAMP_RADIUS_M = 0.35  # a wide lamp: softens the edges of shadows


def linear(colour: Colour) -> Array:
    """Blue, green, red in linear light, 0 to 1, of a screen colour (red, green, blue)."""
    return (np.array(colour[::-1], dtype=float) / 255) ** GAMMA


def encode(light: NDArray[np.float32] | Array) -> NDArray[np.float32]:
    """Linear light to levels of 255, not rounded."""
    return np.asarray(255 * np.clip(light, 0, 1) ** (1 / GAMMA), dtype=np.float32)


def lamp_place(table: Table, look: Look) -> Array:
    return np.array([*table.centre_m, 0.0]) + look.lamp_m


def direct(places_m: Array, normals: Array, table: Table, look: Look) -> Array:
    """Light of the lamp at places (..., 3) with normals (..., 3), one at the table's centre seen from below the lamp.

    A table lamp is long, so its light falls off less steeply than a point's would.
    """
    lamp = lamp_place(table, look)
    towards = lamp - places_m
    far = np.linalg.norm(towards, axis=-1)
    lambert = np.maximum((towards * normals).sum(axis=-1), 0) / far
    return (1 - look.ambient) * lambert * (np.linalg.norm(look.lamp_m) / far) ** 0.7


@lru_cache(maxsize=8)
def _grain(kind: str) -> NDArray[np.float32]:
    """A periodic texture of mean 0 and sd 1, 512 x 512."""
    random = np.random.default_rng(20 if kind == "cloth" else 21)
    total = np.zeros((512, 512))
    for size, weight in ((16, 0.8), (64, 0.5), (256, 0.6), (512, 0.5)):
        layer = random.standard_normal((size if kind == "cloth" else max(size // 8, 4), size))
        total += weight * cv2.resize(layer, (512, 512), interpolation=cv2.INTER_LINEAR)
    return np.asarray((total - total.mean()) / total.std(), dtype=np.float32)


def _sample(kind: str, u: Array, v: Array) -> Array:
    """Texture at places, ``u`` and ``v`` in texture pixels."""
    grain = _grain(kind)
    return np.asarray(grain[np.floor(v).astype(int) % 512, np.floor(u).astype(int) % 512], dtype=float)


def shade(hits: Hits, table: Table, look: Look) -> Array:
    """Linear light (n, 3), blue green red, of what the rays met."""
    cloth, wood = linear(look.cloth), linear(look.rail)
    palette = np.zeros((len(Material), 3))
    palette[Material.FLOOR] = linear(look.floor) * 0.8
    palette[Material.APRON] = wood * 0.35
    palette[Material.RAIL] = wood
    palette[Material.SIGHT] = linear(look.sight_colour)
    palette[Material.RIM] = linear((52, 50, 50))
    palette[Material.HOLE] = linear((14, 13, 12))
    palette[Material.CUSHION] = cloth * 1.06
    palette[Material.FACE] = cloth * look.face
    palette[Material.BED] = cloth
    palette[Material.SPOT] = cloth * 0.15
    albedo = palette[hits.material]

    x, y = hits.place_m[:, 0], hits.place_m[:, 1]
    soft = np.isin(hits.material, (Material.BED, Material.CUSHION, Material.FLOOR))
    albedo = albedo * np.where(soft, 1 + look.texture * _sample("cloth", x * 400, y * 400), 1.0)[:, None]
    wooden = hits.material == Material.RAIL
    long_rail = (y < -CUSHION_WIDTH_M) | (y > table.width_m + CUSHION_WIDTH_M)
    along, across = np.where(long_rail, x, y), np.where(long_rail, y, x)
    streaks = _sample("wood", across * 900, along * 120)
    albedo = albedo * np.where(wooden, 1 + 2.5 * look.texture * streaks, 1.0)[:, None]

    up = np.broadcast_to(np.array([0.0, 0.0, 1.0]), hits.place_m.shape)
    # Close to the cushion the bed sees less of the room: a soft dark line along the nose.
    bed = np.isin(hits.material, (Material.BED, Material.SPOT))
    corner = np.where(bed, 0.55 * np.exp(-hits.nose_m / 0.012), 0.0)
    lit = look.light * (look.ambient * (1 - corner) + direct(hits.place_m, up, table, look) * (1 - 0.5 * corner))
    return np.asarray(albedo * lit[:, None], dtype=float)
