"""What the fit needs of a shot's margins: where its target's image lies, the margins, and one number for both sides.

From where the shot's path is impossible on ideal rails (a contact lies in a pocket's mouth or past a rail's end, or the
target ball stands in the way) its geometry says nothing: the margins are not known there.
"""

import numpy as np

from app.margins.shot_margins import image_m, margins
from calibration.table import Table, Vector
from vision.shot import Shot

__all__ = ["half_width", "image_m", "margins_where_possible", "smaller"]


def margins_where_possible(shot: Shot, table: Table, start_m: Vector) -> tuple[Vector, Vector]:
    """Margin left and right of the needed bearing from each start (..., 2), radians, (...), by the shot's geometry; NaN
    where they are not known or the path is impossible."""
    found = margins(shot, table, start_m)
    if found is None:
        return np.full(start_m.shape[:-1], np.nan), np.full(start_m.shape[:-1], np.nan)
    return np.where(found.possible, found.left_rad, np.nan), np.where(found.possible, found.right_rad, np.nan)


def smaller(left_rad: Vector, right_rad: Vector) -> Vector:
    """The margin that gives out first; the one that is known when only one is."""
    margin: Vector = np.fmin(left_rad, right_rad)
    return margin


def half_width(shot: Shot, table: Table, start_m: Vector) -> Vector:
    """Margin to either side of the best aim from each start (..., 2), by the shot's geometry; NaN when not known."""
    left, right = margins_where_possible(shot, table, start_m)
    half: Vector = (left + right) / 2
    return half
