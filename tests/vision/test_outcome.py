"""What an attempt was: kicks and banks over one to three rails, made or missed, and how."""

from dataclasses import replace
from math import degrees, isnan

import numpy as np
import pytest

from calibration.table import Pocket
from tests.rendering import STRAIGHT, Physics, aim_rad
from tests.vision.aimed import ERRORS, HANGING, at_hanging, bank_motion, kick, read
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.contacts.run import Run
from vision.outcome import attempt
from vision.reading import BallHit
from vision.shot import Shot


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


def test_made_kick() -> None:
    motion = at_hanging()
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in motion.pockets]
    found = read(motion, kick(["left"]))
    assert found.outcome == "made"
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in found.pocketed]
    assert found.ball_contacts[0].balls == ("cue", "red")
    assert abs(found.miss_m) < 0.004


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
    # Nobody saw where it lay, so nobody knows the miss to a millimetre.
    assert found.miss_sd_m > 0.01


# --- banks ---


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
