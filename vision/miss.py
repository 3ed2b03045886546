"""By how much a path missed the target point, and how surely that is told."""

from math import nan

import numpy as np
from numpy.typing import NDArray

from calibration.table import Table, Vector
from calibration.unfold import unfold
from vision.last_leg import free_part, line_after
from vision.place_error import WAY_SLANT_SD_PX, PlaceError, along_sd_m
from vision.rail_ball import RailBall
from vision.shot import Shot

# A last leg of fewer sightings is told by its way over the rails, where that was fitted.
FEW_SEEN = 4
# On the last leg, how far the straight line stands for the path beyond its last sighting, per metre carried on, besides
# what the line states: last legs of rendered films, cut short and carried on by 0.2 to 2 m, are off by 0.7 to 0.85 of
# what is stated with it.
CARRIED_ON_SD = 0.001


def miss_of(
    ball: RailBall | None,
    leg: int | None,
    target: Vector | None,
    target_ball_m: Vector | None,
    target_ball_m2: NDArray[np.float64],
    shot: Shot,
    errors: PlaceError,
) -> tuple[float, float, float]:
    """miss_m, its sd, and what a radian of bearing is worth (metres per radian).

    ``target_ball_m2`` (2, 2) is the covariance of where the target ball lies, the registration's part left out.
    """
    table = errors.table
    if ball is None or target is None:
        return nan, nan, nan
    per_rad = unfold(ball.rest.at_m, target, shot.rails, table).miss_per_rad_m
    if leg is None:
        return nan, nan, per_rad
    seen = free_part(ball.run, leg, table)
    way, hit = ball.run.told.get(leg, (None, 0))
    if way is not None and len(seen) < FEW_SEEN and (len(seen) or hit + 1 < len(way.hits)):
        line, from_m = way.line(hit, target), way.hits[hit].at_m
    elif len(seen) >= 2:
        line, from_m = line_after(ball.run, leg, table, target), seen.xy[-1]
    else:
        return nan, nan, per_rad
    miss, sd = line.miss(target)
    beyond = max(float((target - from_m) @ line.direction), 0.0)
    if target_ball_m is None or shot.target_aim is not None:
        # The table's own places are where the registration puts them; the path is as far off as any ball there.
        placed = along_sd_m(errors.way_covariance_m2(target, ball.rest.pull_px), line.left)
    else:
        # A ball lies where it is seen: what the registration does, it does to both.
        moves = _target_moves(shot, table, target_ball_m, target_ball_m2)
        path_m2 = errors.outline_covariance_m2(target_ball_m, ball.rest.pull_px, WAY_SLANT_SD_PX)
        placed = float(np.hypot(along_sd_m(path_m2, line.left), np.sqrt(((moves @ line.left) ** 2).sum())))
    return miss, float(np.sqrt(sd**2 + (CARRIED_ON_SD * beyond) ** 2 + placed**2)), per_rad


def _target_moves(shot: Shot, table: Table, ball_m: Vector, covariance_m2: NDArray[np.float64]) -> NDArray[np.float64]:
    """How the target point moves, (2, 2), when the target ball lies one standard deviation off, along either axis of
    its error's ellipse.

    A ghost ball turns round the target ball as that lies nearer to the pocket: it is the less sure of the two.
    """
    here = shot.target_point_m(table, ball_m)
    variances, axes = np.linalg.eigh(covariance_m2)
    steps = (axes * np.sqrt(np.maximum(variances, 0.0))).T
    return np.array([shot.target_point_m(table, ball_m + step) - here for step in steps])
