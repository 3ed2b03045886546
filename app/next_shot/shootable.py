"""Places from which a shot can be shot at all."""

import numpy as np
from numpy.typing import NDArray

from app.margins.shot_margins import margins
from calibration.table import Table, Vector
from vision.shot import Shot

# A ball nearer to a rail than this is awkward to strike: common practice, no source.
CLEAR_OF_RAIL_M = 0.10
# Room between a ball and the target ball for a stick, in balls: common practice, no source.
ROOM_BALLS = 0.5
# Places are told in quarters of a sight, as a ball is put down by hand.
STEP_SIGHTS = 0.25


def places(start_m: Vector, table: Table) -> Vector:
    """Quarter-sight places for a ball, (m, 2), metres in the table frame.

    Within the part of the table where players have shot from, ``start_m`` (n, 2) in the table frame, and half as far
    again along the table: a start beyond the target is of no use.
    """
    clear = table.track_offset_m + CLEAR_OF_RAIL_M
    low, high = start_m[:, 0].min(), start_m[:, 0].max()
    reach = max(high - low, table.width_m / 4)
    along = _marks(max(low - reach / 2, clear), min(high + reach / 2, table.length_m - clear), table.length_m / 8)
    across = _marks(clear, table.width_m - clear, table.width_m / 4)
    grid: Vector = np.stack(np.meshgrid(along, across), axis=-1).reshape(-1, 2)
    return grid


def shootable(place_m: Vector, shot: Shot | None, table: Table) -> NDArray[np.bool_]:
    """Whether the shot is possible from each place (m, 2): a path over its rails on cushion to a target that it can
    make, and room for the ball beside the target ball. All are, of a shot that is not known."""
    fine = np.ones(len(place_m), dtype=bool)
    if shot is None:
        return fine
    if isinstance(shot.target_ball, tuple):
        apart = place_m - np.array(shot.target_ball)
        fine &= np.hypot(apart[:, 0], apart[:, 1]) > (2 + 2 * ROOM_BALLS) * table.ball_radius_m
    found = margins(shot, table, place_m)
    if found is not None:
        with np.errstate(invalid="ignore"):
            fine &= found.possible & (found.left_rad + found.right_rad > 0)
    return fine


def _marks(low: float, high: float, spacing_m: float) -> Vector:
    step = STEP_SIGHTS * spacing_m
    marks = step * np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
    return marks if len(marks) else np.array([(low + high) / 2])
