"""Names of ball colours as a person would say them."""

import numpy as np

from calibration.table import Vector

# Chroma (distance of U, V from neutral) below which a ball is white or black.
COLOURLESS = 26.0
# Luma below which a colourless ball is black rather than white.
BLACK_BELOW = 70.0
# Hue angles in the V, U plane (degrees) of the names; each name stands for the angles nearest to it.
_HUES = {"red": 103.0, "orange": 125.0, "yellow": 155.0, "green": 245.0, "blue": 335.0, "purple": 38.0}


def colour_name(colour: Vector) -> str:
    """Name of a colour (3,) Y, U, V: white, black, or the nearest hue."""
    y, u, v = colour[0], colour[1] - 128.0, colour[2] - 128.0
    if np.hypot(u, v) < COLOURLESS:
        return "black" if y < BLACK_BELOW else "white"
    hue = float(np.degrees(np.arctan2(v, u)) % 360)
    return min(_HUES, key=lambda name: abs((hue - _HUES[name] + 180) % 360 - 180))


def whiteness(colour: Vector) -> float:
    """How much a ball looks like a cue ball: bright and without colour."""
    return float(colour[0] - 2.0 * np.hypot(colour[1] - 128.0, colour[2] - 128.0))
