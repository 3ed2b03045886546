"""How far each ball stood from where the drill, or the first attempt from that place, put it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.table import Vector
from vision.outcome import TARGET_REACH_M
from vision.place_error import PlaceError
from vision.reading import Attempt, Placement
from vision.shot import Shot
from vision.strokes import Stroke

# A ball that lies farther than about its own width from where an earlier attempt had it was put elsewhere on purpose.
SAME_PLACE_M = 0.06


@dataclass(frozen=True)
class Lay:
    """Where the balls lay when the cue ball was struck: centres (2,) and standard deviations by name, "cue" among them.

    ``outline_sd_m``: what their outlines may be wrong by however long a ball lay; it is not in ``sd_m``.
    """

    at_m: Mapping[str, Vector]
    sd_m: Mapping[str, float]
    outline_sd_m: Mapping[str, float]


def lay_of(stroke: Stroke, errors: PlaceError) -> Lay:
    rests = {"cue": stroke.rest} | dict(stroke.resting)
    return Lay(
        {name: rest.at_m for name, rest in rests.items()},
        {name: rest.sd_m for name, rest in rests.items()},
        {name: errors.outline_sd_m(rest) for name, rest in rests.items()},
    )


def nearest_ball(lay: Lay, place_m: tuple[float, float], *, but: str) -> tuple[str | None, float]:
    """The object ball that lay nearest to a place, and how far off, metres, ``but`` left out. (None, inf) if none."""
    away = {
        name: float(np.hypot(*(at - np.array(place_m)))) for name, at in lay.at_m.items() if name not in ("cue", but)
    }
    name = min(away, key=lambda n: away[n], default=None)
    return name, away[name] if name is not None else float("inf")


def place_attempts(
    attempts: Sequence[Attempt], lays: Sequence[Lay], shot: Shot, place_sd_m: Callable[[Vector], float]
) -> list[Attempt]:
    """The attempts at one shot, in order of time, with their balls' placement.

    The target ball is compared with the place that the shot states; every other ball that took part with where it lay
    in the first attempt that had it within ``SAME_PLACE_M``, and the first attempt at a new place tells nothing of it.
    ``place_sd_m`` gives the standard deviation of a place (2,) that comes from the registration, metres.
    """
    first: dict[str, list[tuple[Vector, float, float]]] = {}
    placed = []
    for attempt, lay in zip(attempts, lays, strict=True):
        found = []
        for role, name in _balls(attempt, lay, shot).items():
            at, sd, outline_sd = lay.at_m[name], lay.sd_m[name], lay.outline_sd_m[name]
            if role == "target" and isinstance(shot.target_ball, tuple):
                whole_sd = float(np.sqrt(sd**2 + outline_sd**2 + place_sd_m(at) ** 2))
                found.append(Placement(name, at - np.array(shot.target_ball), whole_sd, "drill"))
                continue
            known = first.setdefault(role, [])
            near = next((k for k in known if np.hypot(*(at - k[0])) < SAME_PLACE_M), None)
            if near is None:
                known.append((at, sd, outline_sd))
                continue
            # An error of the registration is the same for both; the outlines' is nearly so, and counted once: that of
            # the ball that stands out less, where they are two.
            between_sd = float(np.sqrt(sd**2 + near[1] ** 2 + max(outline_sd, near[2]) ** 2))
            found.append(Placement(name, at - near[0], between_sd, "first attempt"))
        placed.append(replace(attempt, placement=tuple(found)))
    return placed


def _balls(attempt: Attempt, lay: Lay, shot: Shot) -> dict[str, str]:
    """The balls that took part, by their part in the shot: cue, banked, target."""
    names = {"cue": "cue"}
    if attempt.ball != "cue":
        names["banked"] = attempt.ball
    target = None
    if isinstance(shot.target_ball, tuple):
        name, away_m = nearest_ball(lay, shot.target_ball, but=attempt.ball)
        target = name if away_m < TARGET_REACH_M else None
    elif shot.target_ball == "any":
        hits = [c.balls for c in attempt.ball_contacts if attempt.ball in c.balls]
        # A banked ball meets the cue ball first of all.
        met = [name for balls in hits for name in balls if name not in ("cue", attempt.ball)]
        target = met[0] if met else None
    if target is not None:
        names["target"] = target
    return {role: name for role, name in names.items() if name in lay.at_m}
