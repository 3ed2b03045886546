"""A turn of a ball on its way that its velocity from one frame to the next does not show.

A ball that touches another softly, or a rail, changes its velocity by less than two neighbouring steps tell. What it
does for some time on either side tells it: friction bends a path, and cannot break it.
"""

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.legs import SLIDING_MPS2, Path

# So much of a path on either side of a turn is fitted, and this many sightings at least.
BASE_S, LEAST_SEEN = 0.25, 3
# A turn is a change of velocity by more than this, that explains the path better by so many squared standard
# deviations; what a ball's pattern and a film's coding pull its outline to and fro by is less.
LEAST_TURN_MPS, LEAST_GAIN = 0.03, 30.0


def before_turn(leg: Path) -> Path:
    """What of a leg comes before the first turn that friction does not explain; all of it when there is none."""
    gains = np.array([_gain(leg, k) for k in range(len(leg))])
    told = np.flatnonzero(gains > LEAST_GAIN)
    if not len(told):
        return leg
    # One turn shows at several sightings: it is where it explains most.
    within = told[leg.t[told] < leg.t[told[0]] + BASE_S]
    return leg.part(slice(0, int(within[gains[within].argmax()])))


def _gain(leg: Path, k: int) -> float:
    """How much better the path is explained by a turn just before sighting ``k``, in squared standard deviations."""
    if k < LEAST_SEEN or len(leg) - k < LEAST_SEEN:
        return 0.0
    turned_s = float(leg.t[k - 1] + leg.t[k]) / 2
    part = leg.part(np.abs(leg.t - turned_s) < BASE_S)
    tau = part.t - turned_s
    if min((tau < 0).sum(), (tau > 0).sum()) < LEAST_SEEN:
        return 0.0
    turned, turned_cost = _fitted(part, _columns(tau, np.maximum(tau, 0.0)))
    if np.hypot(*turned[4]) < LEAST_TURN_MPS:
        return 0.0
    noise = max(turned_cost / max(2 * (len(part) - 3), 1), 1.0)
    # A slide that ends at any moment near by is no turn.
    _, straight_cost = _fitted(part, _columns(tau))
    if straight_cost - turned_cost < LEAST_GAIN * noise:
        return 0.0
    for ends in (tau[1:] + tau[:-1]) / 2:
        straight_cost = min(straight_cost, _fitted(part, _columns(tau - ends))[1])
    return (straight_cost - turned_cost) / noise


def _columns(tau: Vector, *more: Vector) -> NDArray[np.float64]:
    """Place, velocity, acceleration before and after the moment 0 of ``tau`` (n,), and what else there is: (n, 4)."""
    return np.column_stack(
        [np.ones_like(tau), tau, np.minimum(tau, 0.0) ** 2 / 2, np.maximum(tau, 0.0) ** 2 / 2, *more]
    )


def _fitted(part: Path, columns: NDArray[np.float64]) -> tuple[Vector, float]:
    """What the columns count, (columns, 2), and what is left. Friction sets what the two accelerations may be."""
    held = np.zeros((2, columns.shape[1]))
    held[0, 2] = held[1, 3] = 1 / SLIDING_MPS2
    rows = np.vstack([columns / part.sd[:, None], held])
    goals = np.vstack([part.xy / part.sd[:, None], np.zeros((2, 2))])
    found = np.linalg.lstsq(rows, goals, rcond=None)[0]
    return np.asarray(found), float(((rows @ found - goals) ** 2).sum())
