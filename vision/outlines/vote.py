"""Where an outline of known size fits best, when the edges found along the rays may be others than the outline.

All rays vote for each place on a lattice of shifts: how much the colours change where a ray cuts the outline of a ball
there, and how much like the cloth it is beyond. What a ray can say is bounded, so that a border that shows strongly on
half the rays does not outweigh a weak one that runs all round.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.outlines.cloth_beyond import Samples

# The lattice of shifts, in radii: how far it goes and its step.
REACH, STEP = 0.42, 0.06
# A change of colour of so many grey levels counts half; squares of hues count double, since films keep hues at half the
# size.
HALF_CHANGE, HUE_SHARE = 6.0, 2.0
# Colours are compared across so many pixels.
ACROSS_PX = 0.7
# Places far from the middle are held back, the farthest by so many rays' votes.
FAR_VOTES = 6.0


def votes_for(
    samples: Samples, beyond: Samples, units: Vector, fractions: NDArray[np.float32], radius_px: float, shifts: Vector
) -> Vector:
    """The rays' votes (n,) for balls at ``shifts`` (n, 2), in radii, from the middle of the rays.

    ``samples`` (3, rays, samples) are Y, U, V along the rays with directions ``units`` (rays, 2) at ``fractions`` of
    the radius; ``beyond`` as from ``cloth_beyond``.
    """
    step = float(fractions[1] - fractions[0])
    across = max(round(ACROSS_PX / radius_px / step), 2)
    change = samples[:, :, across:] - samples[:, :, :-across]
    change *= change
    square = change[0] + np.float32(HUE_SHARE) * (change[1] + change[2])
    vote = square / (square + np.float32(HALF_CHANGE**2))
    # A change from sample i to i + across lies half-way between them.
    vote *= beyond[:, across // 2 :][:, : vote.shape[1]]
    place = (1 + shifts @ units.T - fractions[0]) / step - across / 2
    nearest = np.clip(np.rint(place), 0, vote.shape[1] - 1).astype(int)
    votes: Vector = vote[np.arange(len(units)), nearest].sum(axis=1)
    return votes


@cache
def lattice() -> Vector:
    """Shifts (n, 2) in radii, nearest first."""
    steps = np.arange(-REACH, REACH + STEP / 2, STEP)
    shifts = np.stack(np.meshgrid(steps, steps), axis=2).reshape(-1, 2)
    far = np.hypot(*shifts.T)
    return shifts[np.argsort(far, kind="stable")][: int((far < REACH + STEP / 2).sum())]
