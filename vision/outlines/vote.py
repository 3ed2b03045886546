"""Where an outline of known size fits best, when the edges found along the rays may be others than the outline.

All rays vote for each place on a lattice of shifts: how much the colours change where a ray cuts the outline of a ball
there, and how much like the cloth it is beyond. What a ray can say is bounded, so that a border that shows strongly on
half the rays does not outweigh a weak one that runs all round.
"""

from functools import cache

import numpy as np

from calibration.compiled import compiled
from calibration.table import Vector
from vision.outlines.cloth_beyond import cloth_beyond
from vision.outlines.rays import Rays

# The lattice of shifts, in radii: how far it goes and its step.
REACH, STEP = 0.42, 0.06
# A change of colour of so many grey levels counts half; squares of hues count double, since films keep hues at half the
# size.
HALF_CHANGE, HUE_SHARE = 6.0, 2.0
# Colours are compared across so many pixels.
ACROSS_PX = 0.7
# Places far from the middle are held back, the farthest by so many rays' votes.
FAR_VOTES = 6.0


@compiled
def votes_for(samples: Vector, rays: Rays, shifts: Vector) -> Vector:
    """The rays' votes (n,) for balls at ``shifts`` (n, 2), in radii, from the middle of the rays; ``samples`` (3, rays,
    samples) are Y, U, V along them."""
    fractions = rays.fractions
    step = fractions[1] - fractions[0]
    beyond = cloth_beyond(samples, step, rays.radius_px, rays.reach)
    across = max(round(ACROSS_PX / rays.radius_px / step), 2)
    _, count, places = samples.shape
    vote = np.empty((count, places - across))
    for ray in range(count):
        for k in range(places - across):
            square = 0.0
            for plane in range(3):
                change = samples[plane, ray, k + across] - samples[plane, ray, k]
                square += (1.0 if plane == 0 else HUE_SHARE) * change * change
            # A change from sample i to i + across lies half-way between them.
            vote[ray, k] = square / (square + HALF_CHANGE**2) * beyond[ray, k + across // 2]
    votes = np.zeros(len(shifts))
    for n in range(len(shifts)):
        for ray in range(count):
            along = shifts[n, 0] * rays.units[ray, 0] + shifts[n, 1] * rays.units[ray, 1]
            place = (1 + along - fractions[0]) / step - across / 2
            votes[n] += vote[ray, min(max(round(place), 0), places - across - 1)]
    return votes


@cache
def lattice() -> Vector:
    """Shifts (n, 2) in radii, nearest first."""
    steps = np.arange(-REACH, REACH + STEP / 2, STEP)
    shifts = np.stack(np.meshgrid(steps, steps), axis=2).reshape(-1, 2)
    far = np.hypot(*shifts.T)
    return shifts[np.argsort(far, kind="stable")][: int((far < REACH + STEP / 2).sum())]
