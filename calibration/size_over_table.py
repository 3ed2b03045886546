"""Whether balls look equally large all over the table, and as large as they are: the sign of a wrong camera or size.

A camera that is tilted otherwise than registered makes balls look larger at one end than at the other; a table of
another size makes all of them larger or smaller. Sizes are compared as shares of the ball's nominal size, with a slope
along the table and one across it, by generalised least squares: looks at one ball in several places share what its own
light does to its outline, and those are compared with each other best.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.ball_size import COMMON_SD_PX, COMMON_SD_SHARE
from calibration.camera import Matrix
from calibration.table import Table, Vector

# How far one ball's radius errs for its own light, beyond noise: pixels and a share of the radius, seen on rendered
# pictures of two makers and several cloths.
BALL_SD_PX, BALL_SD_SHARE = 0.10, 0.008
# What the light at its place does to the outline of one and the same ball: pixels, as a share, and pixels for a ball
# seen level with the cloth, where it stands before its own shadow. Seen on rendered films.
PLACE_SD_PX, PLACE_SD_SHARE, LEVEL_SD_PX = 0.03, 0.002, 0.4
# Priors of the share and of the two slopes; wide, so that they only keep finite what nothing tells.
SHARE_SD, SLOPE_SD = 1.0, 0.2
# A slope says something when it is this many sds and this share of a ball, from one end to the other; a share when it
# is as many sds from 1.
CLEAR_SDS, CLEAR_SLOPE = 3.0, 0.01
# A slope that is known to no better than this is not told.
MOST_SLOPE_SD = 0.015
HUBER_SD = 2.5
ROUNDS = 5


@dataclass(frozen=True)
class SizedBall:
    """A ball at a place: which one, where (2,), its radius with the sd from noise (metres), its radius in pixels, and
    the sine of the angle under which it is seen away from straight down."""

    ball: str
    at_m: Vector
    radius_m: float
    noise_sd_m: float
    radius_px: float
    slant: float


@dataclass(frozen=True)
class SizeOverTable:
    """Sizes of balls over the table.

    Attributes
    ----------
    share, share_sd : measured over nominal size, on average; the sd holds what all balls share.
    along, along_sd : by what share of a ball they look larger at the foot end than at the head end.
    across, across_sd : the same at the left side against the right.
    sizes : how many balls at places it comes from.
    """

    share: float
    share_sd: float
    along: float
    along_sd: float
    across: float
    across_sd: float
    sizes: int

    @property
    def tells_along(self) -> bool:
        return self.along_sd <= MOST_SLOPE_SD

    @property
    def tells_across(self) -> bool:
        return self.across_sd <= MOST_SLOPE_SD

    @property
    def slopes_along(self) -> bool:
        return abs(self.along) > max(CLEAR_SDS * self.along_sd, CLEAR_SLOPE)

    @property
    def slopes_across(self) -> bool:
        return abs(self.across) > max(CLEAR_SDS * self.across_sd, CLEAR_SLOPE)

    @property
    def other_size(self) -> bool:
        return abs(self.share - 1) > CLEAR_SDS * self.share_sd

    @property
    def agrees(self) -> bool:
        return not (self.other_size or self.slopes_along or self.slopes_across)


def size_sd_m(size: SizedBall) -> float:
    """Standard deviation of one ball's radius against the others': noise, and its own light."""
    own = np.hypot(BALL_SD_PX / size.radius_px, BALL_SD_SHARE)
    return float(np.hypot(size.noise_sd_m, size.radius_m * np.hypot(own, _place_sd(size))))


def _place_sd(size: SizedBall) -> float:
    """What its place does to one ball's size, as a share; by the fourth power of the slant, which tells it by eye."""
    light_px = np.hypot(PLACE_SD_PX, LEVEL_SD_PX * size.slant**4)
    return float(np.hypot(light_px / size.radius_px, PLACE_SD_SHARE))


def size_over_table(sizes: Sequence[SizedBall], table: Table) -> SizeOverTable | None:
    """Share and slopes; None without a ball."""
    if not sizes:
        return None
    places = np.array([size.at_m for size in sizes]) / [table.length_m, table.width_m] - 0.5
    share = np.array([size.radius_m for size in sizes]) / table.ball_radius_m
    radius_px = np.array([size.radius_px for size in sizes])
    noise = np.array([size.noise_sd_m for size in sizes]) / table.ball_radius_m
    by_itself = np.hypot(noise, [_place_sd(size) for size in sizes])
    own = np.hypot(BALL_SD_PX / radius_px, BALL_SD_SHARE)
    same = np.array([[one.ball == other.ball for other in sizes] for one in sizes])
    # Slopes turn about the balls' own middle, or the share would be one for a place where none lay.
    design = np.column_stack([np.ones(len(sizes)), places - places.mean(axis=0)])
    prior = np.diag([SHARE_SD**-2, SLOPE_SD**-2, SLOPE_SD**-2])
    inflated = np.ones(len(sizes))
    for _ in range(ROUNDS):
        inverse = np.linalg.inv(np.diag((by_itself * inflated) ** 2) + same * np.outer(own, own))
        covariance = np.linalg.inv(design.T @ inverse @ design + prior)
        found = covariance @ (design.T @ inverse @ share + prior @ [1.0, 0.0, 0.0])
        # A ball half hidden by a rail or a hand counts less: its size is off by more than its sd allows.
        stray = _within_balls(share - design @ found, own, by_itself, same)
        inflated = np.maximum(1.0, np.sqrt(np.abs(stray) / HUBER_SD))
    left = share - design @ found
    freedom = len(sizes) - 3
    scatter = float(left @ inverse @ left) / freedom if freedom > 0 else 1.0
    sd = np.sqrt(np.diag(covariance) * max(scatter, 1.0))
    common = np.hypot(COMMON_SD_PX / float(np.median(radius_px)), COMMON_SD_SHARE)
    return SizeOverTable(
        share=float(found[0]),
        share_sd=float(np.hypot(sd[0], common)),
        along=float(found[1]),
        along_sd=float(sd[1]),
        across=float(found[2]),
        across_sd=float(sd[2]),
        sizes=len(sizes),
    )


def _within_balls(left: Vector, own: Vector, by_itself: Vector, same: Matrix) -> Vector:
    """Residuals less what each ball's sizes share, over their sds."""
    weight = same / by_itself**2
    shared = (weight @ left) / (weight.sum(axis=1) + 1 / own**2)
    return np.asarray((left - shared) / by_itself)
