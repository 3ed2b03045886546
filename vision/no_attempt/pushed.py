"""A ball that gathers speed on its way is pushed, by a hand or a sleeve; one that was struck never is as fast again.

The stick lets a ball go within a thousandth of a second. From then on friction slows it, but for a ball struck to spin
forward faster than it rolls, which gains little.
"""

import numpy as np

from vision.legs import Path, fit_line, legs
from vision.set_off import FASTER_THAN_HAND_MPS, SetOff

# What is seen in this much of a first leg tells it, but not how it begins, where stick or hand spoils the sightings.
PUSHED_S, BEGINS_S = 0.6, 0.03
# Speeds are told over so much time.
BASE_S = 0.055
# A ball struck at the highest spot that a tip holds on, half a radius above the centre, ends 7 % faster than it began
# (5/7 of the speed and 2/7 of a spin of 5/4 natural roll). One that gains this much more, and so many standard
# deviations, was pushed.
GAIN, GAIN_SDS = 1.3, 4.0


def gathers_speed(begun: SetOff) -> bool:
    """Whether a ball that set off like that was still gaining speed when it was already on its way."""
    if begun.way is not None or begun.launch.speed_mps > FASTER_THAN_HAND_MPS:
        return False
    first = legs(begun.path)[0]
    first = first.part((first.t >= first.t[0] + BEGINS_S) & (first.t <= first.t[0] + PUSHED_S))
    if len(first) < 3:
        return False
    speeds = _speeds(first)
    if len(speeds) < 2:
        return False
    until_s, early, early_sd = speeds[0]
    later = [(speed, sd) for (end_s, speed, sd), since_s in zip(speeds, first.t, strict=False) if since_s >= until_s]
    return any(speed > GAIN * early + GAIN_SDS * float(np.hypot(GAIN * early_sd, sd)) for speed, sd in later)


def _speeds(leg: Path) -> list[tuple[float, float, float]]:
    """From each sighting on, until when, and how fast along the line, with its standard deviation."""
    along = (leg.xy - leg.xy[0]) @ fit_line(leg).direction
    found = []
    for i in range(len(leg)):
        k = int(np.searchsorted(leg.t, leg.t[i] + BASE_S))
        if k >= len(leg):
            break
        took_s = float(leg.t[k] - leg.t[i])
        found.append(
            (float(leg.t[k]), float(along[k] - along[i]) / took_s, float(np.hypot(leg.sd[i], leg.sd[k])) / took_s)
        )
    return found
