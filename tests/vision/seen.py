"""Made-up motions as the tracker would have seen them: rests, sightings under way, losses. For tests of strokes and
outcomes without a film."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import radians

import numpy as np

from calibration.table import STANDARD_TABLES, Table
from tests.rendering import Physics, simulate
from tests.rendering.motion import Motion
from vision.sightings import Rest, Sighting
from vision.strokes import Ball, Stroke, find_strokes
from vision.track import Loss

TABLE = STANDARD_TABLES["9ft"]
STRUCK_S = 1.0
NOISE_M = 0.0003
REST_SD_M = 0.0002


def motion_of(
    starts_m: Mapping[str, tuple[float, float]],
    bearing_deg: float,
    speed_mps: float,
    *,
    physics: Physics | None = None,
    follow: float = 0.0,
    table: Table = TABLE,
) -> Motion:
    return simulate(
        starts_m, "cue", radians(bearing_deg), speed_mps, table, physics or Physics(), follow=follow, t_s=STRUCK_S
    )


def seen(
    motion: Motion,
    *,
    fps: float = 60.0,
    until_s: float = 12.0,
    noise_m: float = NOISE_M,
    seed: int = 0,
    in_crowd_until_s: float = -1.0,
) -> list[Ball]:
    """Every ball of a motion, seen in even frames from 0 to ``until_s``."""
    rng = np.random.default_rng(seed)
    times = np.arange(0.003, until_s, 1 / fps)
    balls = []
    for name, start in motion.starts_m.items():
        rests: list[Rest] = []
        path: list[Sighting] = []
        lost: list[Loss] = []
        own = [leg for leg in motion.legs if leg.ball == name]
        moves_s = own[0].t_s if own else np.inf
        rests.append(Rest(start.copy(), REST_SD_M, 0.0, float(times[times <= moves_s][-1]), 40))
        stops_s = own[-1].stop_s if own else np.inf
        for time_s in times[times > moves_s]:
            place = motion.where(name, float(time_s))
            if place is None:
                lost.append(Loss(path[-1].time_s, False, float(time_s)))
                break
            if time_s > stops_s + 0.3:
                rests.append(Rest(place, REST_SD_M, stops_s, float(times[-1]), 40))
                break
            at = place + rng.normal(0, noise_m, 2)
            path.append(Sighting(float(time_s), at, noise_m, bool(time_s < in_crowd_until_s)))
        balls.append(Ball(name, tuple(rests), tuple(path), tuple(lost)))
    return balls


def only_stroke(balls: Sequence[Ball], until_s: float = 12.0, table: Table = TABLE) -> Stroke:
    strokes, others = find_strokes(balls, table, until_s)
    assert others == []
    assert len(strokes) == 1
    return strokes[0]


def without(balls: Sequence[Ball], from_s: float, until_s: float) -> list[Ball]:
    """The balls in a film that leaves out the pictures between two moments."""
    return [replace(b, path=tuple(s for s in b.path if not from_s < s.time_s < until_s)) for b in balls]
