"""A turn of a ball on its way that its velocity from one frame to the next does not show.

A ball that touches another softly, or a rail, changes its velocity by less than two neighbouring steps tell. What it
does for some time on either side tells it: friction bends a path, and cannot break it.
"""

from math import hypot, pi, radians

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.legs import SLIDING_MPS2, Path, fit_line

# So much of a path on either side of a turn is fitted, and this many sightings at least.
BASE_S, LEAST_SEEN = 0.25, 3
# A turn is a change of velocity by more than this, that explains the path better by so many squared standard
# deviations; what a ball's pattern and a film's coding pull its outline to and fro by is less.
LEAST_TURN_MPS, LEAST_GAIN = 0.03, 30.0
# What a ball met while it was not seen for this long is not known.
UNSEEN_S = 0.15
# What it did then is told by so many sightings after it; this far off their line it was somewhere else before.
LINE_SEEN, OFF_LINE_M = 6, 0.05
# Turned by more than this while it was not seen for so long (more than a frame in slow films) it may have met
# something: a ball that slides is turned by a few degrees in such a time.
TURNED_UNSEEN_S, TURNED_RAD = 0.1, radians(20.0)

Array = NDArray[np.float64]


def before_turn(leg: Path) -> Path:
    """What of a leg comes before the first turn that friction does not explain; all of it when there is none."""
    gains = _gains(leg)
    told = np.flatnonzero(gains > LEAST_GAIN)
    if not len(told):
        return leg
    # One turn shows at several sightings: it is where it explains most.
    within = told[leg.t[told] < leg.t[told[0]] + BASE_S]
    return leg.part(slice(0, int(within[gains[within].argmax()])))


def turned_unseen(leg: Path, *, surely: bool = False) -> int | None:
    """After which sighting of a leg the ball goes on, not seen for a while, turned or on a line that comes from
    elsewhere; None when it does not. ``surely``: more than friction may have bent its path in that time.

    A rail met close by hardly moves the line, but turns it.
    """
    for k in np.flatnonzero(np.diff(leg.t) > TURNED_UNSEEN_S).tolist():
        before, after = leg.part(slice(max(k + 1 - LINE_SEEN, 0), k + 1)), leg.part(slice(k + 1, k + 1 + LINE_SEEN))
        if len(after) < 3:
            continue
        line = fit_line(after)
        off, sd = line.miss(leg.xy[k])
        gap_s = float(leg.t[k + 1] - leg.t[k])
        # To the middle of what tells the line.
        since_s = float(after.t.mean() - leg.t[k]) if surely else 0.0
        if gap_s > UNSEEN_S and abs(off) > max(OFF_LINE_M, SLIDING_MPS2 * since_s**2 / 2) + 4 * sd:
            return k
        if len(before) < 3:
            continue
        came = fit_line(before)
        turn_rad = abs((line.bearing_rad - came.bearing_rad + pi) % (2 * pi) - pi)
        speed = float(np.hypot(*(after.xy[-1] - after.xy[0]))) / float(after.t[-1] - after.t[0])
        slid_rad = SLIDING_MPS2 * since_s / max(speed, LEAST_TURN_MPS)
        if turn_rad > max(TURNED_RAD, slid_rad) + 4 * hypot(line.bearing_sd_rad, came.bearing_sd_rad):
            return k
    return None


def comes_from_elsewhere(leg: Path, place_m: Vector, left_s: float) -> bool:
    """Whether a leg that was not seen for a while does not begin at a place (2,) that the ball left at a moment:
    farther off its line than friction bends a path in that time."""
    unseen_s = float(leg.t[0]) - left_s
    if unseen_s < UNSEEN_S or len(leg) < 3:
        return False
    off, sd = fit_line(leg.part(slice(0, LINE_SEEN))).miss(place_m)
    return abs(off) > max(OFF_LINE_M, SLIDING_MPS2 * unseen_s**2 / 2) + 4 * sd


def _gains(leg: Path) -> Vector:
    """How much better the path is explained by a turn just before each sighting (n,), in squared standard deviations;
    0 where it is not explained enough better."""
    gains = np.zeros(len(leg))
    k = np.arange(LEAST_SEEN, len(leg) - LEAST_SEEN + 1)
    turned_s = (leg.t[k - 1] + leg.t[k]) / 2
    first, end = np.searchsorted(leg.t, turned_s - BASE_S, "right"), np.searchsorted(leg.t, turned_s + BASE_S, "left")
    enough = np.minimum(k - first, end - k) >= LEAST_SEEN
    if not enough.any():
        return gains
    k, turned_s, first, end = k[enough], turned_s[enough, None], first[enough, None], end[enough, None]
    # What is seen round each of them, filled up with what counts nothing.
    at = first + np.arange((end - first).max())
    inside, at = at < end, np.minimum(at, len(leg) - 1)
    tau, weight = leg.t[at] - turned_s, (inside / leg.sd[at])[..., None]
    columns, goals = weight * _columns(tau, np.maximum(tau, 0.0)), weight * leg.xy[at]
    turned, turned_cost = _fitted(columns, goals)
    _, straight_cost = _fitted(columns[..., :4], goals)
    noise = np.maximum(turned_cost / (2 * (end - first)[:, 0] - 6), 1.0)
    told = (np.hypot(*turned[:, 4].T) >= LEAST_TURN_MPS) & (straight_cost - turned_cost >= LEAST_GAIN * noise)
    for each in np.flatnonzero(told):
        # A slide that ends at any moment near by is no turn.
        near = tau[each, inside[each]]
        slides = _columns(near - (near[1:, None] + near[:-1, None]) / 2)
        _, costs = _fitted(weight[each, inside[each]] * slides, goals[each, inside[each]])
        gains[k[each]] = (min(straight_cost[each], costs.min()) - turned_cost[each]) / noise[each]
    return gains


def _columns(tau: Array, *more: Array) -> Array:
    """Place, velocity, acceleration before and after the moment 0 of ``tau`` (..., n), and what else there is:
    (..., n, 4 or more)."""
    return np.stack(
        [np.ones_like(tau), tau, np.minimum(tau, 0.0) ** 2 / 2, np.maximum(tau, 0.0) ** 2 / 2, *more], axis=-1
    )


def _fitted(columns: Array, goals: Array) -> tuple[Array, Vector]:
    """What the columns (parts, n, c) count for goals (..., n, 2), both in standard deviations: (parts, c, 2), and what
    is left (parts,). Friction sets what the two accelerations may be."""
    held = np.zeros((columns.shape[2], 1))
    held[2:4] = 1 / SLIDING_MPS2**2
    across = columns.transpose(0, 2, 1)
    found = np.asarray(np.linalg.solve(across @ columns + np.diag(held[:, 0]), across @ goals))
    left = columns @ found - goals
    return found, np.asarray((left**2).sum(axis=(1, 2)) + (held * found**2).sum(axis=(1, 2)))
