"""A clip of two drills, made by hand: attempts at both, and strokes at neither."""

from collections.abc import Sequence
from dataclasses import replace
from math import nan

from tests.app.scenario import KICK, TABLE, attempt, reading
from vision.mixed_reading import MixedReading, Unassigned
from vision.reading import Attempt
from vision.shot import Shot

OTHER = replace(
    KICK,
    name="one rail to the foot-left corner",
    rails=("right",),
    target_ball=(2.464, TABLE.width_m - 0.075),
    target_pocket="foot-left",
)
WHY = "it fits none of the shots"


def stray(t_s: float) -> Attempt:
    """A stroke at no shot: no outcome and no miss."""
    return replace(attempt((1.2, 0.5), 8.0, t_s=t_s), outcome="unclear", miss_m=nan, miss_sd_m=nan, miss_per_rad_m=nan)


def mixed(
    tries: Sequence[tuple[Shot, float]] = ((KICK, 3.0), (OTHER, 10.0), (KICK, 17.0)),
    strays_s: Sequence[float] = (24.0,),
    shots: Sequence[Shot] = (KICK, OTHER),
) -> MixedReading:
    """Tries at shots, each at a time, seconds."""
    start = {shot.name: (0.98, 0.25 if shot is KICK else TABLE.width_m - 0.25) for shot in shots}
    return MixedReading(
        tuple(
            reading([attempt(start[shot.name], 0.3, shot=shot, t_s=t) for of, t in tries if of == shot], shot=shot)
            for shot in shots
        ),
        tuple(Unassigned(stray(t), WHY) for t in strays_s),
    )
