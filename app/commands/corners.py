"""``--corners``: where the table's corners are in the picture, for a film in which the table is not found by itself."""

import math

import numpy as np

from calibration.errors import InputError
from calibration.table import Vector

HELP = (
    "Where the nose lines would meet, as 'x,y x,y x,y x,y': pixels of the upright picture from its top left, in order "
    "round the table; some pixels off is near enough. For a film in which the table is not found by itself."
)


def read_corners(words: str | None) -> Vector | None:
    """Four places (4, 2), pixels, from the option's value. Raises InputError when it is not four pairs of numbers."""
    if words is None:
        return None
    pairs = [pair.split(",") for pair in words.split()]
    try:
        places = [[float(number) for number in pair] for pair in pairs]
    except ValueError:
        places = []
    if len(places) != 4 or any(len(place) != 2 or not all(map(math.isfinite, place)) for place in places):
        raise InputError(
            f"--corners is {words!r}; give four places as x,y with a space between them, "
            "such as --corners '410,180 1510,176 1516,902 405,908'."
        )
    return np.array(places)
