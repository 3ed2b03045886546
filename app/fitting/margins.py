"""What the fit needs of a shot's margins: where its target's image lies, the margins, and one number for both sides."""

import numpy as np

from app.margins.shot_margins import image_m, margins_rad
from calibration.table import Table, Vector
from vision.shot import Shot

__all__ = ["half_width", "image_m", "margins_rad", "smaller"]


def smaller(left_rad: Vector, right_rad: Vector) -> Vector:
    """The margin that gives out first; the one that is known when only one is."""
    margin: Vector = np.fmin(left_rad, right_rad)
    return margin


def half_width(shot: Shot, table: Table, start_m: Vector) -> Vector:
    """Margin to either side of the best aim from each start (..., 2), by the shot's geometry; NaN when not known."""
    left, right = margins_rad(shot, table, start_m)
    half: Vector = (left + right) / 2
    return half
