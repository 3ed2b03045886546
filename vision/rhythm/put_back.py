"""Times put back where pictures are missing now and again: what follows a leap of the balls was taken that much later.

Where pictures are left out by turns ``left_out`` tells when all of them were taken. Where they are missing without a
rule only what the balls tell is known: each leap that is seen puts off what follows. While no ball moves what was put
off is caught up with, so that a film's times are its own again at the next stroke.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.table import Vector
from vision.rhythm.leaps import OFF, Step, steps_of
from vision.track import Track

# Nothing moves where no ball was seen under way for this long; what was put off is then caught up with, at this share
# of the time that passes.
STILL_S, CATCH_UP = 0.3, 0.5
# A ball's speed as it sets off is told by so many steps.
FIRST_STEPS = 3


@dataclass(frozen=True)
class PutBack:
    """By how much (n,) pictures shown at some moments (n,) were taken later; in between by what lies between."""

    shown_s: Vector
    later_s: Vector

    def taken_s(self, time_s: float) -> float:
        """When the picture was taken that is shown at a time."""
        return time_s + float(np.interp(time_s, self.shown_s, self.later_s))


def put_back(tracks: Sequence[Track], shown_s: float) -> PutBack | None:
    """When the pictures of a film shown every ``shown_s`` were taken, by how its balls leap; None where none does."""
    told: dict[int, list[int]] = {}
    for step in [*steps_of(tracks, shown_s), *_as_they_set_off(tracks, shown_s)]:
        told.setdefault(round(step.time_s / shown_s), []).append(step.pictures)
    # Of balls that disagree the most are believed.
    missing = {number: int(np.median(pictures)) - 1 for number, pictures in told.items()}
    missing = {number: count for number, count in missing.items() if count > 0}
    if not missing:
        return None
    moments = sorted({s.time_s for track in tracks for s in track.path})
    ends = max([*moments[-1:], *(rest.last_s for track in tracks for rest in track.rests)])
    still = [(a, b) for a, b in zip(moments, [*moments[1:], ends], strict=True) if b - a > STILL_S]
    knots, later = [min(moments[0], min(missing) * shown_s)], [0.0]
    for begins, lasts, more in sorted(
        [(n * shown_s, shown_s, count * shown_s) for n, count in missing.items()]
        + [(a, b - a, -CATCH_UP * (b - a)) for a, b in still]
    ):
        knots += [begins, begins + lasts]
        later += [later[-1], max(later[-1] + more, 0.0)]
    return PutBack(np.array(knots), np.array(later))


def _as_they_set_off(tracks: Sequence[Track], shown_s: float) -> list[Step]:
    """Steps of balls that were seen at rest in one frame, and in the next farther off than they go in one."""
    found = []
    for track in tracks:
        for rest in track.rests:
            path = [s for s in track.path if s.time_s > rest.last_s][: FIRST_STEPS + 1]
            numbers = np.rint([s.time_s / shown_s for s in path]).astype(int) - round(rest.last_s / shown_s)
            if len(path) <= FIRST_STEPS or (numbers != np.arange(1, len(path) + 1)).any():
                continue
            lengths = np.hypot(*np.diff([rest.at_m, *(s.at_m for s in path)], axis=0).T)
            usual = float(np.median(lengths[1:]))
            if usual > 0 and lengths[0] > (1 + OFF) * usual:
                found.append(Step(rest.last_s, int(np.ceil(lengths[0] / usual - OFF))))
    return found
