"""From where to shoot next to learn most about the point.

The start whose attempt adds most to the determinant of the information on the family (D-optimal design): one that
crosses the lines so far at a wide angle. Where the log cannot tell at all, that is the start farthest to the side.
"""

import numpy as np

from app.fitting import lines
from app.fitting.likelihood import Observations
from app.fitting.terms import row_information
from calibration.table import Table, Vector

STEPS = 24
# A ball nearer to a rail than this is awkward to strike: common practice, no source.
CLEAR_OF_RAIL_M = 0.10


def next_start(obs: Observations, family: Vector, spread_rad: float, table: Table) -> Vector:
    """The best start, (2,), metres in the table frame.

    Within the part of the table where players have shot from, and as far again along the table: a start beyond the
    target is of no use. ``family`` (2,) is the best one so far, or parallel lines where there is none.
    """
    columns = lines.jacobian(family, obs.start_m)
    weight = row_information(obs, family, spread_rad)
    information = (columns * weight[:, None]).T @ columns + 1e-9 * np.eye(2)
    inverse = np.linalg.inv(information)
    tried = _candidates(obs.start_m, table)
    across = lines.jacobian(family, tried)
    gain = np.sum((across @ inverse) * across, axis=1)
    best: Vector = tried[int(np.argmax(gain))] + table.centre_m
    return best


def _candidates(start_m: Vector, table: Table) -> Vector:
    """Places for a ball from the table's centre, (m, 2)."""
    half = np.array([table.length_m, table.width_m]) / 2 - table.track_offset_m - CLEAR_OF_RAIL_M
    low, high = start_m[:, 0].min(), start_m[:, 0].max()
    reach = max(high - low, table.width_m / 4)
    x = np.linspace(max(low - reach / 2, -half[0]), min(high + reach / 2, half[0]), STEPS)
    y = np.linspace(-half[1], half[1], STEPS)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
