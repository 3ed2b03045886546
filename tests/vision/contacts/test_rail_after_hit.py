"""Rails that the cue ball meets within a few frames after it has hit a ball close to them."""

from dataclasses import replace
from math import degrees

import numpy as np
import pytest

from calibration.table import RAILS
from tests.rendering.motion import Motion, RailTruth
from tests.vision.seen import REST_SD_M, TABLE, motion_of, seen
from vision.contacts.rail_after_hit import with_rail_after
from vision.contacts.run import Run
from vision.reading import BallHit
from vision.sightings import Rest
from vision.strokes import Stroke, find_strokes

UNTIL_S = 4.0


def thin_hits(count: int, seed: int) -> list[tuple[Motion, RailTruth]]:
    """Hits on a ball close to a rail, half full or thinner, and where the cue ball then met that rail, soon."""
    rng = np.random.default_rng(seed)
    size = np.array([TABLE.length_m, TABLE.width_m])
    found: list[tuple[Motion, RailTruth]] = []
    while len(found) < count:
        rail = RAILS[rng.integers(4)]
        axis, level = TABLE.track_coordinate(rail)
        gap_m = rng.uniform(0.001, 0.06)
        red = np.full(2, level + (gap_m if rail in ("head", "right") else -gap_m))
        red[1 - axis] = rng.uniform(0.25, size[1 - axis] - 0.25)
        start = rng.uniform(0.1, size - 0.1)
        way = red - start
        if np.hypot(*way) < 0.3:
            continue
        aside = rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 1.7) * TABLE.ball_radius_m
        aim = way + aside * np.array([-way[1], way[0]]) / np.hypot(*way)
        starts = {"cue": (float(start[0]), float(start[1])), "red": (float(red[0]), float(red[1]))}
        motion = motion_of(starts, degrees(np.arctan2(aim[1], aim[0])), rng.uniform(1.2, 3.5))
        own = [c for c in motion.rails if c.ball == "cue"]
        if len(motion.balls) != 1 or not own or own[0].rail != rail or own[0].t_s > 3:
            continue
        if 0 < own[0].t_s - motion.balls[0].t_s < 0.1:
            found.append((motion, own[0]))
    return found


def stroke_of(motion: Motion, fps: float, seed: int) -> Stroke:
    strokes, _ = find_strokes(seen(motion, fps=fps, until_s=UNTIL_S, seed=seed), TABLE, UNTIL_S)
    return strokes[0]


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_rail_met_at_once_after_a_thin_hit_is_told(fps: float) -> None:
    told, in_order, off_sds = 0, 0, []
    for k, (motion, true) in enumerate(thin_hits(40, 6)):
        cue = stroke_of(motion, fps, k).cue
        assert len(cue.legs) == len(cue.junctions) + 1
        hits = [h for h in cue.rail_hits if h.rail == true.rail and abs(h.t_s - true.t_s) < 0.03]
        told += bool(hits)
        if hits and isinstance(cue.junctions[0], BallHit):
            in_order += 1
            off_sds.append(float(np.hypot(*(hits[0].at_m - true.at_m))) / hits[0].at_sd_m)
    assert told >= 38
    # Where the thinnest hits and the rail make one turn, the rail alone is told.
    assert in_order >= 36
    # Half of normal errors lie within 0.67 standard deviations.
    assert 0.3 < np.median(off_sds) < 1.1


def test_nothing_is_put_in_without_that_hit_or_when_the_ball_stays_away() -> None:
    motion, _ = thin_hits(1, 6)[0]
    stroke = stroke_of(motion, 60.0, 0)
    lay = stroke.resting["red"]
    # Told once, it is not told again.
    assert with_rail_after(stroke.cue, "red", lay, TABLE) is stroke.cue
    assert with_rail_after(stroke.cue, "blue", lay, TABLE) is stroke.cue
    # The same hit in the middle of the table.
    shift = TABLE.centre_m - lay.at_m
    legs = tuple(replace(leg, xy=leg.xy + shift) for leg in (stroke.cue.legs[0], stroke.cue.legs[-1]))
    first = stroke.cue.junctions[0]
    assert isinstance(first, BallHit)
    away = Run("cue", legs, (replace(first, at_m=first.at_m + shift),))
    assert with_rail_after(away, "red", Rest(TABLE.centre_m, REST_SD_M, 0.0, 1.0, 40), TABLE) is away
