"""The straight stretch at the end of a leg that is curved at its start.

After a rail a ball slides under a friction of constant size and direction (Coriolis 1835), then rolls straight. Held
against the line on which it rolls, the slide is a parabola in time that touches that line where rolling begins. Where
that is is told by the whole leg at once, not by one sighting after another.
"""

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.legs import Path

# A line needs so many sightings; of a long leg, so many moments are tried.
LEAST_STRAIGHT, MOMENTS = 4, 48
# Rolling may begin so much earlier than it seems to, in squared standard deviations of the fit: what of the curve is
# then taken for straight is less than the line's own error, and more sightings tell the line.
EARLIER = 1.0
# No slide lasts longer: a ball that slips over the cloth by 7 m/s, more than a firm stroke leaves it after a rail or a
# ball, rolls after 2/7 of that over the usual friction of 0.2 g (Coriolis 1835). What bends a leg later is no slide,
# and a ball that lies still at its end has no line.
SLIDES_S = 1.0


def straight_end(leg: Path) -> Path:
    """What of a leg is rolled straight: from the first moment on at which the slide may have ended."""
    sliding = int(np.searchsorted(leg.t, leg.t[0] + SLIDES_S)) if len(leg) else 0
    firsts = np.unique(np.linspace(0, max(min(len(leg) - LEAST_STRAIGHT, sliding), 0), MOMENTS).round().astype(int))
    along, across = _axes(leg)
    left = np.array([_left(leg, along, across, int(first)) for first in firsts])
    costs = (left**2).sum(axis=1)
    best = int(costs.argmin())
    # The noise is that of the straight part: the rest of a leg may be bent by more than a slide.
    rolled = left[best, firsts[best] :]
    noise = max(float(rolled @ rolled) / (len(rolled) - 2), 1.0) if len(rolled) > LEAST_STRAIGHT else 1.0
    first = firsts[np.flatnonzero(costs <= costs[best] + EARLIER * noise)[0]]
    return leg.part(slice(int(first), None))


def _axes(leg: Path) -> tuple[Vector, Vector]:
    """Places along and across the way in which a leg ends, each (n,), metres."""
    middle = leg.xy[len(leg) // 2]
    ahead = leg.xy[-1] - middle
    ahead = ahead / max(float(np.hypot(*ahead)), 1e-9)
    offset = leg.xy - middle
    return offset @ ahead, offset @ np.array([-ahead[1], ahead[0]])


def _left(leg: Path, along: Vector, across: Vector, first: int) -> NDArray[np.float64]:
    """What is left of the offsets across (n,), in standard deviations, when rolling begins at one of the sightings."""
    slid = np.maximum(leg.t[first] - leg.t, 0.0) ** 2
    columns = [np.ones_like(along), along] + ([slid] if first else [])
    design = np.column_stack(columns) / leg.sd[:, None]
    solution = np.linalg.lstsq(design, across / leg.sd, rcond=None)[0]
    return np.asarray(across / leg.sd - design @ solution)
