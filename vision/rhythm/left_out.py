"""Pictures that a film leaves out by turns, and the times of the others.

A converter that brings a film from 30 pictures a second to 24 or 25 may leave out every fifth or sixth and show the
others evenly spaced: a ball then leaps by turns. Where the leaps of the balls under way follow the turns of such a
conversion, and not an even rate, the pictures' times are put back to when they were taken. Where one is left out more
seldom than that, ``leaps`` tells them one by one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector
from vision.rhythm.leaps import Step, seldom_left_out, steps_of
from vision.track import Track

# Rates at which cameras take pictures and films are shown, to the nearest whole number a second. A leap less often than
# every so many pictures cannot be told by the mean from what a ball meets.
RATES, LONGEST_TURN = (24, 25, 30, 50, 60), 5
RATIOS = sorted(
    ratio
    for ratio in {Fraction(taken, shown) for taken in RATES for shown in RATES if taken > shown}
    if 1 < ratio.denominator <= LONGEST_TURN
)
# Steps tell something of balls at this speed at least; so many pairs of them, with so many longer ones among them.
LEAST_MPS, LEAST_PAIRS, LEAST_LEAPS = 0.4, 15, 3
# How much the velocity changes from step to step, as a share of it, in the mean: so much less must it be with the
# pictures' times put back, and so much at least without.
LESS, LEAST_UNEVEN = 0.4, 0.03
# So many steps are kept in mind at most.
MOST_STEPS = 3000
# Times of an evenly shown film are off its even rate by no more than this share of a frame.
ON_THE_BEAT = 0.1


@dataclass(frozen=True)
class Turns:
    """A film shown evenly, ``shown_s`` from frame to frame, of pictures taken ``ratio`` times as fast, of which it
    leaves some out; ``phase`` says where in its turns the frame shown at time 0 stands."""

    shown_s: float
    ratio: Fraction
    phase: int

    def taken_s(self, time_s: float) -> float:
        """When the picture was taken that is shown at a time."""
        number = round(time_s / self.shown_s)
        return time_s + float(_taken(np.array([number]), self.ratio, self.phase)[0] - number) * self.shown_s


def beat_of(tracks: Sequence[Track]) -> float | None:
    """Seconds from frame to frame of a film that shows the balls under way evenly; None for another."""
    times = np.unique([s.time_s for track in tracks for s in track.path])
    if len(times) < LEAST_PAIRS:
        return None
    numbers = (times - times[0]) / float(np.median(np.diff(times)))
    if np.abs(numbers - np.rint(numbers)).max() > ON_THE_BEAT:
        return None
    # Times are rounded to some unit of the file's.
    return float((times[-1] - times[0]) / np.rint(numbers[-1]))


def turns_of(tracks: Sequence[Track], earlier: list[Step] | None = None) -> Turns | None:
    """The turns in which pictures are left out, told by the balls under way; None where none are.

    ``earlier`` holds what was told of single steps earlier in the film, and is given what is told of these.
    """
    shown_s = beat_of(tracks)
    if shown_s is None:
        return None
    often = _often_left_out(tracks, shown_s)
    if often is not None:
        return often
    steps = [*(earlier or []), *steps_of(tracks, shown_s)][-MOST_STEPS:]
    if earlier is not None:
        earlier[:] = steps
    seldom = seldom_left_out(steps, shown_s)
    return None if seldom is None else Turns(shown_s, *seldom)


def _often_left_out(tracks: Sequence[Track], shown_s: float) -> Turns | None:
    """Turns of ``LONGEST_TURN`` pictures at most."""
    first, places = _in_a_row(tracks, shown_s)
    if len(first) < LEAST_PAIRS:
        return None

    def uneven(at: Callable[[NDArray[np.int64]], Vector]) -> float:
        """Mean change of velocity from one step to the next, as a share of it, with pictures taken at those times."""
        steps = np.diff(places, axis=1)
        lasted = np.diff(np.stack([at(first + k) for k in range(3)], axis=1), axis=1)
        velocity = steps / lasted[:, :, None]
        change = np.hypot(*(velocity[:, 1] - velocity[:, 0]).T)
        speed = np.hypot(*steps.sum(axis=1).T) / lasted.sum(axis=1)
        return float(np.minimum(change / np.maximum(speed, 1e-9), 1.0).mean())

    shares = {
        (ratio, phase): uneven(lambda n, r=ratio, p=phase: _taken(n, r, p))  # type: ignore[misc]
        for ratio in RATIOS
        for phase in range(ratio.denominator)
    }
    ratio, phase = min(shares, key=lambda key: shares[key])
    even = uneven(lambda n: n.astype(float))
    after = _taken(np.unique(first) + 1, ratio, phase) - _taken(np.unique(first), ratio, phase)
    leaps = min(int((after > after.mean()).sum()), int((after < after.mean()).sum()))
    if even < LEAST_UNEVEN or shares[ratio, phase] > LESS * even or leaps < LEAST_LEAPS:
        return None
    return Turns(shown_s, ratio, phase)


def _taken(numbers: NDArray[np.int64], ratio: Fraction, phase: int) -> Vector:
    """When the pictures shown as frames of some numbers (n,) were taken, in frames as shown."""
    taken = (numbers * ratio.numerator + phase) // ratio.denominator
    # In the mean neither sooner nor later than they are shown.
    return np.asarray((taken - (phase - (ratio.denominator - 1) / 2) / ratio.denominator) / float(ratio))


def _in_a_row(tracks: Sequence[Track], shown_s: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Numbers (n,) of the first of three frames in a row that show a ball under way; its places in them, (n, 3, 2)."""
    first: list[int] = []
    places: list[list[Vector]] = []
    for track in tracks:
        for k in range(len(track.path) - 2):
            three = track.path[k : k + 3]
            numbers = [round(s.time_s / shown_s) for s in three]
            way = float(np.hypot(*(three[2].at_m - three[0].at_m)))
            if numbers[2] - numbers[0] == 2 and way > LEAST_MPS * 2 * shown_s:
                first.append(numbers[0])
                places.append([s.at_m for s in three])
    return np.array(first, dtype=np.int64), np.array(places).reshape(-1, 3, 2)
