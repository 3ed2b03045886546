"""What an attempt was: kicks and banks over one to three rails, made or missed, by how much, with the right sign."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from math import degrees, isnan, radians

import numpy as np
import pytest

from calibration.table import Pocket, Rail
from calibration.unfold import unfold
from tests.rendering import STRAIGHT, Physics, aim_rad, overhead_camera
from tests.rendering.motion import Motion
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.contacts.run import Run
from vision.legs import Path
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.reading import Attempt, BallHit, RailHit
from vision.shot import Made, Shot
from vision.strokes import Stroke

ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
PHYSICS = Physics()
HANGING = (2.452, 0.088)  # over the foot-right corner
# Rails -> start, speed and the point that the path should pass.
PATHS: dict[tuple[Rail, ...], tuple[tuple[float, float], float, tuple[float, float]]] = {
    ("left",): ((0.9, 0.3), 2.2, (2.0, 0.4)),
    ("right",): ((0.9, 0.9), 2.2, (2.0, 0.8)),
    ("foot",): ((1.3, 0.3), 2.2, (1.2, 0.9)),
    ("head",): ((1.3, 0.9), 2.2, (1.2, 0.35)),
    ("left", "foot"): ((0.7, 0.3), 3.0, (1.7, 0.5)),
    ("left", "foot", "right"): ((0.5, 0.25), 3.8, (1.4, 0.6)),
    ("foot", "left", "head"): ((1.5, 0.3), 3.8, (1.0, 0.5)),
}


def kick(
    rails: Sequence[Rail],
    made: Made = "pocketed",
    *,
    ball: tuple[float, float] | None = HANGING,
    pocket: Pocket | None = "foot-right",
    aim: tuple[float, float] | None = None,
) -> Shot:
    return Shot("kick", "kick", tuple(rails), made, target_ball=ball, target_pocket=pocket, target_aim=aim)


def read(motion: Motion, shot: Shot, seed: int = 0) -> Attempt:
    return attempt(only_stroke(seen(motion, seed=seed, until_s=7.5)), shot, ERRORS)


@cache
def needed_deg(rails: tuple[Rail, ...], physics: Physics) -> float:
    start, speed, aim = PATHS[rails]
    return degrees(aim_rad(start, aim, rails, speed, TABLE, physics))


@cache
def aimed(rails: tuple[Rail, ...], off_deg: float = 0.0, physics: Physics = PHYSICS) -> tuple[Motion, Shot]:
    """A lone cue ball sent over the rails ``off_deg`` beside the line that passes the aim, and the shot."""
    start, speed, aim = PATHS[rails]
    bearing = needed_deg(rails, physics) + off_deg
    return motion_of({"cue": start}, bearing, speed, physics=physics), kick(rails, ball=None, aim=aim)


@cache
def read_aimed(rails: tuple[Rail, ...], off_deg: float) -> Attempt:
    """Reading of a made-up path, shared by the tests that look at it from several sides."""
    return read(*aimed(rails, off_deg))


def test_rail_met_too_softly_to_be_told_leaves_a_ball_that_dropped_unclear() -> None:
    """It runs along the foot rail, which turns it by so little that the contact does not show, into the pocket."""
    motion = motion_of({"cue": (2.36, 0.3)}, 86.4, 2.3)
    assert [c.rail for c in motion.rails] == ["left", "foot"]
    assert motion.pockets[0].pocket == "foot-right"
    found = read(motion, kick(("left", "foot"), ball=None))
    assert found.outcome in ("made", "unclear")
    # A shot by another rail, to which it never came near, is missed however it drops.
    assert read(motion, kick(("left", "head"), ball=None)).outcome == "missed"


# --- the miss ---


@pytest.mark.parametrize("off_deg", [-1.5, 0.0, 1.5])
@pytest.mark.parametrize("rails", PATHS, ids="-".join)
def test_miss_is_that_of_the_path(rails: tuple[Rail, ...], off_deg: float) -> None:
    motion, shot = aimed(rails, off_deg)
    found = read_aimed(rails, off_deg)
    assert shot.target_aim is not None
    true = motion.miss_m("cue", rails, np.array(shot.target_aim))
    # Its standard deviation, and what bends of a leg leave.
    assert found.miss_m == pytest.approx(true, abs=0.003)
    assert 0 < found.miss_sd_m < 0.01
    # A lone ball may drop somewhere in the end, off a rail perhaps, or meet a jaw.
    assert set(found.flags) <= {"wrong_pocket", "near_jaw", "far_jaw", "rail_first"}
    assert [c.rail for c in found.contacts][: len(rails)] == list(rails)


@pytest.mark.parametrize("rails", PATHS, ids="-".join)
def test_sign_of_the_miss(rails: tuple[Rail, ...]) -> None:
    """A bearing too large passes to the left after no rail, to the right after one, to the left after two."""
    for off_deg in (-1.5, 1.5):
        found = read_aimed(rails, off_deg)
        assert np.sign(found.miss_m) == np.sign(off_deg) * (-1) ** len(rails)
        assert np.sign(found.miss_per_rad_m) == (-1) ** len(rails)


@pytest.mark.parametrize("rails", PATHS, ids="-".join)
def test_needed_bearing_does_not_depend_on_the_error(rails: tuple[Rail, ...]) -> None:
    """bearing - miss / (miss per radian) gives the line that was needed, to the quality of the mirror's gain (15 %)."""
    needed = []
    for off_deg in (-1.5, 0.0, 1.5):
        found = read_aimed(rails, off_deg)
        needed.append(degrees(found.bearing_rad - found.miss_m / found.miss_per_rad_m))
    # Each rail loses speed along it too, which weakens the gain: three rails, three times as much.
    assert np.ptp(needed) < 3.0 * 0.25 * len(rails)


def test_miss_per_radian_is_the_mirrors() -> None:
    motion, shot = aimed(("left",))
    found = read(motion, shot)
    assert shot.target_aim is not None
    path = unfold(found.start_m, np.array(shot.target_aim), ("left",), TABLE)
    assert found.miss_per_rad_m == pytest.approx(path.miss_per_rad_m)
    assert found.miss_per_rad_m == pytest.approx(-path.distance_m)


def test_start_bearing_and_speed_are_the_strokes() -> None:
    motion, shot = aimed(("left",), 0.7)
    found = read(motion, shot)
    start, speed, _ = PATHS[("left",)]
    assert found.ball == "cue"
    assert found.start_m == pytest.approx(start, abs=0.001)
    assert found.start_m == pytest.approx(found.cue_start_m)
    leg = motion.legs[0]
    true = np.arctan2(leg.velocity[1], leg.velocity[0])
    assert degrees(found.bearing_rad - true) == pytest.approx(0, abs=0.05)
    assert found.cue_bearing_rad == found.bearing_rad
    assert found.speed_mps == pytest.approx(speed, rel=0.02)
    assert isnan(found.cut_rad)


def test_standard_deviation_of_the_miss_is_honest() -> None:
    standardised = []
    for rails in (("left",), ("foot",), ("left", "foot")):
        motion, shot = aimed(rails, 1.0)  # type: ignore[arg-type]
        assert shot.target_aim is not None
        true = motion.miss_m("cue", rails, np.array(shot.target_aim))  # type: ignore[arg-type]
        for seed in range(4):
            found = read(motion, shot, seed)
            standardised.append((found.miss_m - true) / found.miss_sd_m)
    # Made-up sightings have none of the bias of real outlines that the stated deviation allows for.
    assert 0.02 < np.sqrt(np.mean(np.square(standardised))) < 1.8


# --- kicks at a ball over the corner ---


@cache
def at_hanging(off_deg: float = 0.0, speed: float = 2.2) -> Motion:
    """The cue ball over the left rail at the ball over the corner, aimed at its ghost ball."""
    ghost = kick(["left"]).target_point_m(TABLE)
    start = (0.9, 0.3)
    bearing = degrees(aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], speed, TABLE, STRAIGHT)) + off_deg
    return motion_of({"cue": start, "red": HANGING}, bearing, speed, physics=STRAIGHT)


def test_made_kick() -> None:
    motion = at_hanging()
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in motion.pockets]
    found = read(motion, kick(["left"]))
    assert found.outcome == "made"
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in found.pocketed]
    assert found.ball_contacts[0].balls == ("cue", "red")
    assert abs(found.miss_m) < 0.004


@pytest.mark.parametrize("off_deg", [-2.5, 2.5])
def test_missed_kick_keeps_its_miss(off_deg: float) -> None:
    motion = at_hanging(off_deg)
    assert "red" not in [p.ball for p in motion.pockets]
    found = read(motion, kick(["left"]))
    assert found.outcome == "missed"
    assert np.sign(found.miss_m) == -np.sign(off_deg)
    assert abs(found.miss_m) > 0.04


def test_miss_is_no_surer_than_the_place_of_the_ball_that_waits() -> None:
    """The ghost ball turns round it: sideways it is less sure than the waiting ball is."""
    stroke = only_stroke(seen(at_hanging(-2.0), until_s=7.5))
    sds = []
    for sd_m in (0.0, 0.001):
        resting = {name: replace(rest, sd_m=sd_m) for name, rest in stroke.resting.items()}
        sds.append(attempt(replace(stroke, resting=resting), kick(("left",)), ERRORS).miss_sd_m)
    assert sds[1] > np.hypot(sds[0], 0.001)


def test_hit_is_enough_when_the_shot_says_so() -> None:
    shot = kick(["left"], "hit", pocket=None)
    assert read(at_hanging(), shot).outcome == "made"
    wide = at_hanging(-6.0)
    assert wide.balls == []
    assert read(wide, shot).outcome == "missed"


def test_any_ball_will_do() -> None:
    shot = Shot("kick", "kick", ("left",), "hit", target_ball="any")
    assert read(at_hanging(), shot).outcome == "made"


def test_ball_in_another_pocket() -> None:
    found = read(at_hanging(), kick(["left"], pocket="head-right"))
    assert found.outcome == "missed"
    assert "wrong_pocket" in found.flags


def test_wrong_rail() -> None:
    found = read(at_hanging(), kick(["right"]))
    assert found.outcome == "missed"
    assert found.flags[0] == "wrong_rails"
    assert isnan(found.miss_m)


def test_target_hit_before_its_rails() -> None:
    """Straight at the ball: no rail at all."""
    motion = motion_of({"cue": (1.6, 0.9), "red": HANGING}, -43.0, 1.5)
    assert motion.balls[0].balls == ("cue", "red")
    found = read(motion, kick(["left"]))
    assert found.outcome == "missed"
    assert "wrong_rails" in found.flags


def test_other_ball_first() -> None:
    motion = motion_of({"cue": (0.9, 0.3), "red": HANGING, "blue": (1.3, 0.9)}, 56.0, 2.2)
    assert motion.balls[0].balls == ("cue", "blue")
    found = read(motion, kick(["left"]))
    assert found.outcome == "missed"
    assert "wrong_ball_first" in found.flags
    assert isnan(found.miss_m)


def test_stopped_short_of_its_rail() -> None:
    motion = motion_of({"cue": (0.9, 0.3), "red": HANGING}, 56.0, 0.45, physics=Physics(roll=0.03))
    assert motion.rails == []
    found = read(motion, kick(["left"]))
    assert found.outcome == "missed"
    assert "stopped_short" in found.flags
    assert isnan(found.miss_m)


@pytest.mark.parametrize(("pocket", "flag"), [("side-left", "wrong_rails"), ("side-right", "wrong_pocket")])
def test_ball_that_drops_before_its_rails_did_not_stop_short(pocket: Pocket, flag: str) -> None:
    motion = motion_of({"cue": (1.27, 0.3), "red": (1.27, 0.8)}, 90.0, 2.2)
    assert ("red", "side-left") in [(p.ball, p.pocket) for p in motion.pockets]
    found = read(motion, Shot("bank", "bank", ("left",), "pocketed", target_pocket=pocket))
    assert found.outcome == "missed"
    assert {"wrong_rails", "wrong_pocket", "stopped_short"} & set(found.flags) == {flag}


def test_cue_ball_that_drops_before_its_rails_scratched() -> None:
    motion = motion_of({"cue": (1.27, 0.6), "red": HANGING}, 90.0, 2.2)
    assert [p.pocket for p in motion.pockets] == ["side-left"]
    found = read(motion, kick(["left"]))
    assert found.outcome == "missed"
    assert {"scratch", "stopped_short"} & set(found.flags) == {"scratch"}


def test_scratch() -> None:
    """The cue ball follows over the left rail into the corner, past the target ball."""
    aim = TABLE.mouth_m("foot-right")
    bearing = degrees(aim_rad((0.9, 0.3), (float(aim[0]), float(aim[1])), ["left"], 2.2, TABLE, STRAIGHT))
    motion = motion_of({"cue": (0.9, 0.3), "red": (1.5, 0.1)}, bearing, 2.2, physics=STRAIGHT)
    assert [(p.ball, p.pocket) for p in motion.pockets] == [("cue", "foot-right")]
    found = read(motion, kick(["left"], ball=(1.5, 0.1)))
    assert found.outcome == "missed"
    assert "scratch" in found.flags
    # Without a target ball the cue ball itself is to drop: the same path is made.
    alone = read(motion, kick(["left"], ball=None))
    assert alone.outcome == "made"
    assert "scratch" not in alone.flags


def test_target_ball_elsewhere_than_stated() -> None:
    """The ball that rests near the stated place is taken, where it really lies."""
    stated = (HANGING[0] - 0.03, HANGING[1] + 0.03)
    at_ball, at_place = read(at_hanging(), kick(["left"])), read(at_hanging(), kick(["left"], ball=stated))
    assert at_place.miss_m == pytest.approx(at_ball.miss_m, abs=0.001)
    assert at_place.flags == at_ball.flags == ("hit_full", "hit_right")


def test_target_ball_not_seen() -> None:
    found = read(at_hanging(), kick(["left"], ball=(1.27, 0.4)))
    assert "target_not_seen" in found.flags


# --- banks ---


def bank_motion(cut_deg: float = 0.0, off_deg: float = 0.0) -> tuple[Motion, Shot]:
    """The red ball is sent over the left rail towards the foot-right corner, the cue ball behind it on the line."""
    red = (1.2, 0.45)
    mouth = TABLE.mouth_m("foot-right")
    target = (float(mouth[0]), float(mouth[1]))
    line = aim_rad(red, target, ["left"], 2.0, TABLE, STRAIGHT) + radians(off_deg)
    centres = np.array([np.cos(line), np.sin(line)])
    ghost = np.array(red) - 2 * TABLE.ball_radius_m * centres
    comes = line - radians(cut_deg)
    cue = ghost - 0.3 * np.array([np.cos(comes), np.sin(comes)])
    speed = 2.3 / np.cos(radians(cut_deg))
    motion = motion_of({"cue": (float(cue[0]), float(cue[1])), "red": red}, degrees(comes), speed, physics=STRAIGHT)
    return motion, Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")


def test_made_bank() -> None:
    motion, shot = bank_motion()
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in motion.pockets]
    found = read(motion, shot)
    assert found.ball == "red"
    assert found.outcome == "made"
    assert found.start_m == pytest.approx((1.2, 0.45), abs=0.001)
    assert np.hypot(*(found.cue_start_m - found.start_m)) == pytest.approx(0.3 + 2 * TABLE.ball_radius_m, abs=0.002)
    assert found.contacts[0].rail == "left"
    assert found.ball_contacts[0].balls == ("cue", "red")


@pytest.mark.parametrize("off_deg", [-2.0, 2.0])
def test_missed_bank(off_deg: float) -> None:
    motion, shot = bank_motion(off_deg=off_deg)
    found = read(motion, shot)
    true = motion.miss_m("red", ["left"], TABLE.mouth_m("foot-right"))
    assert found.outcome == "missed"
    assert found.miss_m == pytest.approx(true, abs=0.004)
    assert np.sign(found.miss_m) == -np.sign(off_deg)


@pytest.mark.parametrize("cut_deg", [-25.0, 25.0])
def test_cut_of_a_bank(cut_deg: float) -> None:
    """Left is positive: the object ball leaves to the left of the cue ball's line."""
    motion, shot = bank_motion(cut_deg)
    found = read(motion, shot)
    assert degrees(found.cut_rad) == pytest.approx(cut_deg, abs=0.5)
    launched = next(leg for leg in motion.legs if leg.ball == "red")
    true = np.arctan2(launched.velocity[1], launched.velocity[0])
    assert degrees(np.angle(np.exp(1j * (found.bearing_rad - true)))) == pytest.approx(0, abs=0.06)
    assert found.speed_mps == pytest.approx(float(np.hypot(*launched.velocity)), rel=0.03)


def test_bank_that_hits_no_ball() -> None:
    motion, shot = bank_motion()
    alone = motion_of({"cue": (0.5, 0.9), "red": (1.2, 0.45)}, 0.0, 1.0)
    assert motion.balls
    found = read(alone, shot)
    assert found.outcome == "missed"
    assert "no_ball_hit" in found.flags
    assert found.ball == "cue"


def test_hidden_start_is_flagged() -> None:
    motion, shot = aimed(("left",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    assert "start_hidden" not in attempt(stroke, shot, ERRORS).flags
    assert "start_hidden" in attempt(replace(stroke, hidden_s=0.4), shot, ERRORS).flags


def test_path_for_drawing_begins_at_the_start() -> None:
    motion, shot = aimed(("left", "foot"))
    found = read(motion, shot)
    assert found.path_m.shape[1] == 3
    assert found.path_m[0, 1:] == pytest.approx(found.start_m)
    assert (np.diff(found.path_m[:, 0]) > 0).all()


# --- turned on the way ---


def turned(stroke: Stroke, name: str, junction: BallHit | None) -> Stroke:
    """The stroke as if something had been met halfway to the banked ball's rail."""
    run = stroke.others[name]
    first = run.legs[0]
    half = len(first) // 2
    legs = (first.part(slice(0, half)), first.part(slice(half, None)), *run.legs[1:])
    return replace(stroke, others={name: Run(name, legs, (junction, *run.junctions))})


def test_ball_turned_before_its_rail_has_no_miss_of_its_own() -> None:
    motion, shot = bank_motion(off_deg=2.0)
    stroke = only_stroke(seen(motion, until_s=7.5))
    free = attempt(stroke, shot, ERRORS)
    assert "turned_aside" not in free.flags
    met_s = float(stroke.others["red"].legs[0].t.mean())
    for junction in (BallHit(met_s, ("red", "cue"), np.array([1.3, 0.6])), None):
        found = attempt(turned(stroke, "red", junction), shot, ERRORS)
        assert isnan(found.miss_m)
        assert isnan(found.miss_sd_m)
        assert "turned_aside" in found.flags
        assert "wrong_ball_first" not in found.flags
        assert found.outcome == free.outcome == "missed"
        assert [c.rail for c in found.contacts] == [c.rail for c in free.contacts]


def cut_off(run: Run, after: int, junction: RailHit | BallHit | None = None) -> Run:
    """The run as if its leg after the rail had been seen so often only: up to something that it met, or to the end."""
    rest = run.legs[1].part(slice(after, None))
    legs = (run.legs[0], run.legs[1].part(slice(0, after)), *((rest,) if junction is not None else ()))
    junctions = (run.junctions[0], *((junction,) if junction is not None else ()))
    return replace(run, legs=legs, junctions=junctions, told={})


def test_last_leg_hardly_seen_says_why_there_is_no_miss() -> None:
    """Another ball turned it at once, or it was lost from view."""
    motion, shot = aimed(("left",), 1.0)
    stroke = only_stroke(seen(motion))
    after = stroke.cue.legs[1]
    hit = BallHit(float(after.t[1]), ("cue", "blue"), after.xy[1])
    for junction, aside in ((hit, True), (None, False)):
        found = attempt(replace(stroke, cue=cut_off(stroke.cue, 1, junction)), shot, ERRORS)
        assert isnan(found.miss_m)
        assert "few_sightings" in found.flags
        assert ("turned_aside" in found.flags) == aside


def test_line_is_carried_on_from_where_the_ball_was_turned(monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing but that in its standard deviation, it tells the way from there to the target."""
    monkeypatch.setattr("vision.outcome.CARRIED_ON_SD", 1.0)
    motion, shot = aimed(("left",), 0.5)
    stroke = only_stroke(seen(motion))
    leg = stroke.cue.legs[1]
    middle = len(leg) // 2
    aside = np.array([0.3, 0.3]) * np.maximum(leg.t - leg.t[middle], 0.0)[:, None]
    bent = replace(stroke.cue, legs=(stroke.cue.legs[0], Path(leg.t, leg.xy + aside, leg.sd), *stroke.cue.legs[2:]))
    found = attempt(replace(stroke, cue=bent), shot, ERRORS)
    away_m = float(np.hypot(*(shot.target_point_m(TABLE, np.array(HANGING)) - leg.xy[middle])))
    assert found.miss_sd_m == pytest.approx(away_m, abs=0.06)


def test_bank_that_the_cue_ball_meets_again_still_hits_its_target() -> None:
    motion, _ = bank_motion(off_deg=2.0)
    starts = {name: (float(at[0]), float(at[1])) for name, at in motion.starts_m.items()}
    blue = (0.3, 1.1)
    first = motion.legs[0]
    bearing, speed = degrees(np.arctan2(*first.velocity[::-1])), float(np.hypot(*first.velocity))
    stroke = only_stroke(seen(motion_of(starts | {"blue": blue}, bearing, speed, physics=STRAIGHT), until_s=7.5))
    run = stroke.others["red"]
    leg, k = run.legs[1], len(run.legs[1]) // 3
    legs = (run.legs[0], *(leg.part(slice(n * k, (n + 1) * k)) for n in range(3)))
    hits = tuple(
        BallHit(float(legs[n + 1].t[-1]), ("red", name), legs[n + 1].xy[-1]) for n, name in ((0, "cue"), (1, "blue"))
    )
    kissed = replace(stroke, others={"red": Run("red", legs, (run.junctions[0], *hits))})
    for target in ("any", blue):
        found = attempt(kissed, Shot("bank", "bank", ("left",), "hit", target_ball=target), ERRORS)
        assert found.outcome == "made"
        assert "wrong_ball_first" not in found.flags
        assert np.isfinite(found.miss_m)
        # The cue ball alone is no target.
        only = replace(kissed, others={"red": Run("red", legs[:3], (run.junctions[0], hits[0]))})
        assert attempt(only, Shot("bank", "bank", ("left",), "hit", target_ball=target), ERRORS).outcome == "missed"
