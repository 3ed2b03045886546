"""Rails touched so softly, or at so flat an angle, that no kink shows it: the ball came nearer, then went away."""

import numpy as np
from numpy.typing import NDArray

from calibration.table import RAILS, Table
from vision.legs import Path

# A ball that comes this close to a track line and is this much farther from it before and after came off that rail,
# however softly.
GRAZED_M, GRAZE_DEPTH_M = 0.010, 0.015
# Less will do where so many sightings on either side show it, by so many standard deviations of how fast it came nearer
# and went away.
LEAST_GRAZE_M, GRAZE_SEEN, LEAST_GRAZE_SEEN, GRAZE_SDS = 0.008, 8, 4, 10.0


def cut_at_grazes(leg: Path, table: Table) -> list[Path]:
    """A leg cut where it touched a rail so softly, or at so flat an angle, that its velocity shows no kink."""
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        distance = np.abs(leg.xy[:, axis] - level)
        # The sightings of the deepest visit: it is one when the ball was farther off on either side of it.
        k = int(distance.argmin())
        depth = min(distance[: k + 1].max(), distance[k:].max()) - distance[k]
        if distance[k] < GRAZED_M and (depth > GRAZE_DEPTH_M or _surely_turned(leg, distance, k, depth)):
            before, after = leg.part(slice(0, k + 1)), leg.part(slice(k + 1, None))
            return [*cut_at_grazes(before, table), *cut_at_grazes(after, table)]
    return [leg]


def _surely_turned(leg: Path, distance: NDArray[np.float64], k: int, depth_m: float) -> bool:
    """Whether a ball plainly came nearer to a rail up to the sighting ``k`` and then went away from it.

    One that drops into a pocket soon after is not seen to get far away.
    """
    if depth_m < LEAST_GRAZE_M:
        return False
    rates = []
    for part in (slice(max(k - GRAZE_SEEN, 0), k), slice(k + 1, k + 1 + GRAZE_SEEN)):
        t, sd = leg.t[part], leg.sd[part]
        if len(t) < LEAST_GRAZE_SEEN:
            return False
        tau = t - np.average(t, weights=1 / sd**2)
        weight = float((tau**2 / sd**2).sum())
        rates.append(float((tau * distance[part] / sd**2).sum()) / np.sqrt(weight))
    return rates[0] < -GRAZE_SDS and rates[1] > GRAZE_SDS
