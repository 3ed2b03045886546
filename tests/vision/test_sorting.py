"""Strokes of a film of several drills: each at the shot that it was a try at, by what happened, or at none."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import permutations
from math import degrees, isnan

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES, Rail
from tests.rendering import STRAIGHT, aim_rad, overhead_camera
from tests.vision.aimed import ERRORS, HANGING, bank_motion
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from tests.vision.test_reading import READING
from vision.place_error import PlaceError
from vision.shot import Shot, Stroke
from vision.sorting import Choice, Tried, sort_tries, sorted_reading, try_shots
from vision.strokes import Stroke as Struck

ACROSS = (HANGING[0], TABLE.width_m - HANGING[1])
KICK_LEFT = Shot("left", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
KICK_RIGHT = Shot("right", "kick", ("right",), "pocketed", target_ball=ACROSS, target_pocket="foot-left")
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
LONE = Shot("lone", "kick", ("left",), "pocketed", target_pocket="foot-right")
THREE = Shot("three", "kick", ("left", "foot", "right"), "hit", target_ball=(1.4, 0.6))
ALL = (KICK_LEFT, KICK_RIGHT, BANK, LONE, THREE)
# Where the balls lie in a film of kicks to both corners.
BOTH = {"red": HANGING, "blue": ACROSS}


@cache
def needed_deg(shot: Shot, start_m: tuple[float, float], speed_mps: float) -> float:
    goal = shot.target_point_m(TABLE)
    return degrees(aim_rad(start_m, (float(goal[0]), float(goal[1])), list(shot.rails), speed_mps, TABLE, STRAIGHT))


def stroke_at(
    shot: Shot,
    start_m: tuple[float, float],
    off_deg: float = 0.0,
    *,
    balls: Mapping[str, tuple[float, float]] = BOTH,
    speed_mps: float = 2.2,
    shots: Sequence[Shot] = ALL,
) -> Tried:
    """A stroke ``off_deg`` beside the line that a kick needs, tried as each of the shots."""
    bearing = needed_deg(shot, start_m, max(speed_mps, 3.4) if len(shot.rails) > 1 else 2.2) + off_deg
    return rolled(start_m, bearing, speed_mps, balls, shots)


def rolled(
    start_m: tuple[float, float],
    bearing_deg: float,
    speed_mps: float,
    balls: Mapping[str, tuple[float, float]],
    shots: Sequence[Shot] = ALL,
) -> Tried:
    return try_shots(stroke(start_m, bearing_deg, speed_mps, tuple(balls.items())), shots, ERRORS, or_none=True)


@cache
def stroke(
    start_m: tuple[float, float],
    bearing_deg: float,
    speed_mps: float,
    balls: tuple[tuple[str, tuple[float, float]], ...],
) -> Struck:
    motion = motion_of({"cue": start_m, **dict(balls)}, bearing_deg, speed_mps, physics=STRAIGHT)
    return only_stroke(seen(motion, fps=30.0, until_s=6.0), until_s=6.0)


@cache
def bank_stroke(off_deg: float, cut_deg: float) -> Struck:
    motion, _ = bank_motion(cut_deg, off_deg)
    return only_stroke(seen(motion, fps=30.0, until_s=6.0), until_s=6.0)


def banked(off_deg: float = 0.0, cut_deg: float = 0.0, shots: Sequence[Shot] = ALL) -> Tried:
    return try_shots(bank_stroke(off_deg, cut_deg), shots, ERRORS, or_none=True)


def names(tries: Sequence[Tried], shots: Sequence[Shot] = ALL) -> list[str | None]:
    return [None if c.shot is None else shots[c.shot].name for c in sort_tries(tries, shots, TABLE)]


@pytest.mark.parametrize("off_deg", [0.0, -2.5, 4.0, -7.0])
def test_kicks_to_two_corners(off_deg: float) -> None:
    """Made, missed, and missed by a lot: the rail that was taken and the ball behind it tell."""
    tries = [stroke_at(KICK_LEFT, (0.9, 0.3), off_deg), stroke_at(KICK_RIGHT, (0.9, 0.9), -off_deg)]
    assert names(tries) == ["left", "right"]


@pytest.mark.parametrize("off_deg", [0.0, 2.5])
def test_a_bank_is_no_kick(off_deg: float) -> None:
    """The same rail and pocket; which ball took the rail tells."""
    assert names([banked(off_deg), stroke_at(LONE, (0.9, 0.3), off_deg, balls={})]) == ["bank", "lone"]


def test_a_ball_in_its_place_tells_a_kick_at_it_from_a_kick_alone() -> None:
    tries = [
        stroke_at(KICK_LEFT, (0.9, 0.3), balls={"red": HANGING}),
        stroke_at(LONE, (0.9, 0.3), balls={"red": (0.4, 0.9)}),
    ]
    assert names(tries) == ["left", "lone"]


@pytest.mark.parametrize("off_deg", [0.0, 1.5])
def test_balls_of_another_drill_may_lie_about(off_deg: float) -> None:
    """A ball in its place does not make a try at it of a stroke that took the rails of another shot."""
    side = Shot("side", "kick", ("left",), "pocketed", target_pocket="side-right")
    two = Shot("two", "kick", ("left", "foot"), "hit", target_ball=(1.7, 0.4))
    shots = (side, two)
    lying = {"red": HANGING, "green": (1.7, 0.4)}
    assert names([stroke_at(side, (0.8, 0.3), off_deg, balls=lying, shots=shots)], shots) == ["side"]


def test_three_rails_pass_through_the_first() -> None:
    start = (0.5, 0.25)
    tries = [
        stroke_at(THREE, start, balls={"red": (1.4, 0.6)}, speed_mps=3.8),
        stroke_at(LONE, (0.9, 0.3), 1.0, balls={"red": (1.4, 0.6)}),
    ]
    assert names(tries) == ["three", "lone"]


def test_wrong_rails_go_where_the_balls_lie_and_others_started() -> None:
    """Straight to the foot rail: on neither shot's way. Of two whose target balls lie there, the nearer start wins."""
    shots = (KICK_LEFT, KICK_RIGHT)
    good = [
        stroke_at(KICK_LEFT, (0.9, 0.3), 0.5, shots=shots),
        stroke_at(KICK_RIGHT, (0.9, 0.97), 0.5, shots=shots),
    ]
    wild = rolled((0.92, 0.31), 10.0, 1.2, BOTH, shots)
    assert {"wrong_rails"} <= set(wild.by_shot[0].flags) & set(wild.by_shot[1].flags)
    assert names([*good, wild], shots) == ["left", "right", "left"]
    mirrored = rolled((0.92, TABLE.width_m - 0.31), -10.0, 1.2, BOTH, shots)
    assert names([*good, mirrored], shots) == ["left", "right", "right"]
    # With only one target ball on the table there is no question.
    alone = rolled((1.5, 0.6), 10.0, 1.2, {"red": HANGING}, shots)
    assert names([*good, alone], shots) == ["left", "right", "left"]


def test_two_that_fit_alike_are_not_guessed() -> None:
    """Both balls in place, no other attempt that tells, both rails missed: named, and left."""
    shots = (KICK_LEFT, KICK_RIGHT)
    wild = rolled((0.9, 0.6), 5.0, 1.2, BOTH, shots)
    assert sort_tries([wild], shots, TABLE) == [Choice(None, (0, 1))]


def test_the_same_shot_twice_is_told_apart_by_the_speed_meant_or_not_at_all() -> None:
    soft, firm = (replace(LONE, name=word, stroke=Stroke(speed=word)) for word in ("soft", "firm"))
    slow = stroke_at(LONE, (0.9, 0.3), balls={}, speed_mps=1.4, shots=(soft, firm))
    fast = stroke_at(LONE, (0.9, 0.3), balls={}, speed_mps=3.2, shots=(soft, firm))
    assert names([slow, fast], (soft, firm)) == ["soft", "firm"]
    twin = replace(LONE, name="twin")
    either = stroke_at(LONE, (0.9, 0.3), balls={}, shots=(LONE, twin))
    assert sort_tries([either], (LONE, twin), TABLE) == [Choice(None, (0, 1))]


def test_what_fits_none() -> None:
    """A ball driven into the side pocket, and a kick to where no shot leads."""
    shots = (KICK_LEFT, THREE)
    aim = TABLE.mouth_m("side-left") - np.array([1.0, 0.9])
    cut = rolled((0.7, 0.75), degrees(np.arctan2(aim[1], aim[0])), 1.5, {"red": (1.0, 0.9)}, shots)
    head = rolled((1.2, 0.6), 175.0, 1.5, {}, shots)
    choices = sort_tries([cut, head], shots, TABLE)
    assert choices == [Choice(None), Choice(None)]


def test_a_bank_that_met_no_ball_lies_as_the_others_did() -> None:
    shots = (BANK, KICK_RIGHT)
    good = banked(shots=shots)
    cue = (float(good.lay.at_m["cue"][0]), float(good.lay.at_m["cue"][1]))
    wide = degrees(good.by_shot[0].cue_bearing_rad) + 25.0
    assert names([good, rolled(cue, wide, 1.5, {"red": (1.2, 0.45)}, shots)], shots) == ["bank", "bank"]
    elsewhere = rolled((0.6, 0.9), wide, 1.5, {"red": (1.2, 0.45)}, shots)
    assert "no_ball_hit" in elsewhere.by_shot[0].flags
    assert names([good, elsewhere], shots) == ["bank", None]


def test_a_gross_miss_without_a_target_ball_is_no_try_at_that_pocket() -> None:
    """Over the left rail, but back to the head: nothing says that the corner was meant."""
    start = (1.6, 0.3)
    back = rolled(start, 120.0, 2.2, {}, (LONE,))
    assert back.by_shot[0].contacts[0].rail == "left"
    assert names([back], (LONE,)) == [None]


def test_order_of_shots_and_strokes_does_not_matter() -> None:
    makers: list[Callable[[Sequence[Shot]], Tried]] = [
        lambda s: stroke_at(KICK_LEFT, (0.9, 0.3), 2.0, shots=s),
        lambda s: stroke_at(KICK_RIGHT, (0.9, 0.97), shots=s),
        lambda s: banked(shots=s),
        lambda s: rolled((0.92, 0.31), 10.0, 1.2, BOTH, s),
    ]
    for shots in ((KICK_LEFT, KICK_RIGHT, BANK), (BANK, KICK_RIGHT, KICK_LEFT)):
        tries = [make(shots) for make in makers]
        expected = dict(enumerate(["left", "right", "bank", "left"]))
        for order in list(permutations(range(4)))[::5]:
            assert names([tries[k] for k in order], shots) == [expected[k] for k in order]


@pytest.mark.parametrize("rails", [("left",), ("right",), ("left", "foot"), ("foot", "left", "head")])
def test_one_shot_takes_its_own_misses(rails: tuple[Rail, ...]) -> None:
    """The misses of a poor player, 3 degrees each way, all stay with the shot; its mirrored twin takes none."""
    aim = {"left": (2.0, 0.4), "right": (2.0, 0.8), "foot": (1.0, 0.5)}[rails[0]] if len(rails) != 2 else (1.7, 0.5)
    shot = Shot("mine", "kick", rails, "pocketed", target_pocket="foot-right", target_aim=aim)
    swap: dict[Rail, Rail] = {"left": "right", "right": "left", "head": "head", "foot": "foot"}
    mirror = replace(
        shot,
        name="twin",
        rails=tuple(swap[r] for r in rails),
        target_aim=(aim[0], TABLE.width_m - aim[1]),
    )
    shots = (shot, mirror)
    tries = [stroke_at(shot, (0.8, 0.4), off, balls={}, speed_mps=3.4, shots=shots) for off in (-3.0, 0.0, 3.0)]
    assert names(tries, shots) == ["mine"] * 3


def test_nothing_is_lost() -> None:
    shots = (KICK_LEFT, KICK_RIGHT)
    tries = [
        stroke_at(KICK_LEFT, (0.9, 0.3), shots=shots),
        rolled((0.9, 0.6), 5.0, 1.2, BOTH, shots),
        rolled((1.2, 0.6), 175.0, 1.5, {}, shots),
    ]
    choices = [Choice(0), Choice(None, (0, 1)), Choice(None)]
    mixed, lays = sorted_reading(replace(READING, attempts=()), tries, choices, shots)
    assert [len(r.attempts) for r in mixed.readings] == [1, 0]
    assert [len(part) for part in lays] == [1, 0]
    assert mixed.attempted == (mixed.of_shot("left"),)
    torn, other = mixed.unassigned
    assert "'left' and 'right'" in torn.why
    assert "fits none" in other.why
    # Only what could not be decided is a warning; it names the moment and both shots.
    (warning,) = mixed.readings[1].warnings[len(READING.warnings) :]
    assert "1.0 s" in warning
    assert "'left' and 'right'" in warning
    for left in mixed.unassigned:
        assert left.attempt.outcome == "unclear"
        assert isnan(left.attempt.miss_m)
        assert left.attempt.ball == "cue"
        assert "wrong_rails" not in left.attempt.flags


def test_a_stroke_on_a_table_without_pockets() -> None:
    carom = STANDARD_TABLES["carom"]
    shot = Shot("one rail", "kick", ("left",), "hit", target_ball=(2.2, 0.5))
    motion = motion_of({"cue": (0.8, 0.4), "red": (2.2, 0.5)}, 54.0, 2.5, table=carom)
    struck = only_stroke(seen(motion, fps=30.0, until_s=6.0), until_s=6.0, table=carom)
    tried = try_shots(struck, (shot,), PlaceError(overhead_camera(carom), carom), or_none=True)
    assert [c.rail for c in tried.by_shot[0].contacts][:1] == ["left"]
    assert tried.plain is not None
    assert [c.rail for c in tried.plain.contacts][:1] == ["left"]
    assert tried.plain.outcome == "unclear"
