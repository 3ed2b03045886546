"""How near one ball came to another, and when: what may have sent a ball on its way, and whether it was sent at all."""

from collections.abc import Iterable

import numpy as np

from calibration.table import Table, Vector
from vision.sightings import Sighting

# A ball that goes on faster than before by this much, and by that share, was sent on.
GAIN_MPS, GAIN = 0.15, 1.5
# Another one may have sent it that passed it this closely besides both radii, within this time.
PASSED_M, HIT_WITHIN_S = 0.06, 0.25


def apart_m(one: Vector, other: Vector) -> float:
    """Distance of two places (2,), metres."""
    return float(np.hypot(*(one - other)))


def any_near(seen: Iterable[Sighting], last: Sighting, first: Sighting, table: Table) -> bool:
    """Whether sightings of one ball lie close to either of two between which another was sent on."""
    reach = 4 * table.ball_radius_m + PASSED_M
    return any(min(apart_m(s.at_m, last.at_m), apart_m(s.at_m, first.at_m)) < reach for s in seen)
