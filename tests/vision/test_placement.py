"""How far balls stood from their places: against the drill, against the first attempt from there, with honest sds."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.table import Vector
from tests.rendering import STRAIGHT
from tests.vision.aimed import ERRORS, HANGING, bank_motion
from tests.vision.seen import motion_of, only_stroke, seen
from vision.outcome import attempt
from vision.placement import Lay, lay_of, nearest_ball, place_attempts
from vision.reading import Attempt, Placement, attempt_json
from vision.shot import Shot
from vision.strokes import Stroke

KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
PERFECT = {"cue": 0.0, "red": 0.0}


def no_sd(_: Vector) -> float:
    return 0.0


def tried(stroke: Stroke, shot: Shot = KICK) -> tuple[Attempt, Lay]:
    return attempt(stroke, shot, ERRORS), lay_of(stroke, ERRORS)


def kick_from(start_m: tuple[float, float], red_m: tuple[float, float], bearing_deg: float = 56.0) -> Stroke:
    motion = motion_of({"cue": start_m, "red": red_m}, bearing_deg, 2.2, physics=STRAIGHT)
    return only_stroke(seen(motion, fps=30.0, until_s=4.0), until_s=4.0)


def placed(strokes: list[Stroke], shot: Shot = KICK) -> list[dict[str, Placement]]:
    tries = [tried(s, shot) for s in strokes]
    found = place_attempts([a for a, _ in tries], [lay for _, lay in tries], shot, no_sd)
    return [{p.ball: p for p in a.placement} for a in found]


def test_target_ball_against_the_drill_and_cue_ball_against_the_first() -> None:
    starts = [(0.9, 0.3), (0.907, 0.296), (0.5, 0.3), (0.893, 0.3)]
    reds = [HANGING, (HANGING[0] + 0.004, HANGING[1] - 0.003), HANGING, HANGING]
    first, second, third, fourth = placed([kick_from(s, r) for s, r in zip(starts, reds, strict=True)])
    for one, red in zip((first, second, third, fourth), reds, strict=True):
        assert one["red"].put_by == "drill"
        assert one["red"].off_m == pytest.approx(np.subtract(red, HANGING), abs=1e-9)
    # The first from its place, and the first from another, have nothing to be held against.
    assert set(first) == set(third) == {"red"}
    assert second["cue"].put_by == fourth["cue"].put_by == "first attempt"
    assert second["cue"].off_m == pytest.approx((0.007, -0.004), abs=1e-9)
    assert fourth["cue"].off_m == pytest.approx((-0.007, 0.0), abs=1e-9)


def test_a_bank_has_two_balls_placed() -> None:
    motion, shot = bank_motion()
    stroke = only_stroke(seen(motion, fps=30.0, until_s=4.0), until_s=4.0)
    moved = replace(stroke, resting={n: replace(r, at_m=r.at_m + [0.01, 0.0]) for n, r in stroke.resting.items()})
    tries = [tried(stroke, shot), tried(moved, shot)]
    one, two = place_attempts([a for a, _ in tries], [lay for _, lay in tries], shot, no_sd)
    assert one.placement == ()
    by_ball = {p.ball: p for p in two.placement}
    assert by_ball["cue"].off_m == pytest.approx((0.0, 0.0), abs=1e-9)
    assert by_ball["red"].off_m == pytest.approx((0.01, 0.0), abs=1e-9)


def test_any_target_is_held_against_the_first() -> None:
    shot = replace(KICK, made="hit", target_ball="any", target_pocket=None)
    strokes = [kick_from((0.9, 0.3), (1.1, 0.59)), kick_from((0.9, 0.3), (1.103, 0.587))]
    one, two = placed(strokes, shot)
    assert one == {}
    assert two["red"].off_m == pytest.approx((0.003, -0.003), abs=1e-9)


def test_a_ball_that_is_not_there_is_not_placed() -> None:
    (one,) = placed([kick_from((0.9, 0.3), (1.3, 0.2))])
    assert "red" not in one


def test_standard_deviation_has_all_its_parts() -> None:
    stroke = kick_from((0.9, 0.3), HANGING)
    a, lay = tried(stroke)
    (alone,) = place_attempts([a], [lay], KICK, no_sd)[0].placement
    (registered,) = place_attempts([a], [lay], KICK, lambda _: 0.001)[0].placement
    assert alone.sd_m == pytest.approx(np.hypot(stroke.resting["red"].sd_m, ERRORS.outline_sd_m(stroke.resting["red"])))
    assert registered.sd_m == pytest.approx(np.hypot(alone.sd_m, 0.001))
    # The registration's error is common to a place and to the same place again.
    cue = place_attempts([a, a], [lay, lay], KICK, lambda _: 0.001)[1].placement[0]
    assert cue.ball == "cue"
    assert cue.sd_m < 0.001


def test_offsets_scatter_as_their_sd_says() -> None:
    """Over many noisy lays, the offset against the first attempt is spread as stated (outlines are perfect here)."""
    rng = np.random.default_rng(5)
    a, _ = tried(kick_from((0.9, 0.3), HANGING))
    sd, standardised = 0.0004, []
    for _ in range(300):
        noisy = [
            Lay({"cue": a.start_m + rng.normal(0, sd, 2), "red": np.array(HANGING)}, {"cue": sd, "red": sd}, PERFECT)
            for _ in range(2)
        ]
        cue = next(p for p in place_attempts([a, a], noisy, KICK, no_sd)[1].placement if p.ball == "cue")
        standardised += list(cue.off_m / cue.sd_m)
    assert np.std(standardised) == pytest.approx(1.0, abs=0.1)


def test_nearest_ball_leaves_out_the_cue_ball_and_the_one_named() -> None:
    places = {"cue": (1.0, 1.0), "red": (1.0, 1.1), "blue": (1.0, 1.3)}
    lay = Lay({n: np.array(p) for n, p in places.items()}, dict.fromkeys(places, 0.0), dict.fromkeys(places, 0.0))
    for but, nearest, away_m in (("", "red", 0.1), ("red", "blue", 0.3)):
        name, off_m = nearest_ball(lay, (1.0, 1.0), but=but)
        assert name == nearest
        assert off_m == pytest.approx(away_m)
    assert nearest_ball(Lay({}, {}, {}), (1.0, 1.0), but="") == (None, float("inf"))


def test_json_says_from_where() -> None:
    a, lay = tried(kick_from((0.9, 0.3), (HANGING[0] + 0.004, HANGING[1])))
    (found,) = place_attempts([a], [lay], KICK, no_sd)
    (said,) = attempt_json(found)["placement"]
    assert said["off_m"] == pytest.approx([0.004, 0.0], abs=1e-5)
    assert (said["ball"], said["from"]) == ("red", "drill")
    assert said["sd_m"] > 0
