"""From words to coordinates and back, with the errors that belong to them."""

from dataclasses import replace
from math import degrees, hypot, isnan, nan, radians

import numpy as np
import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from app.entry.echo import echo, tell_words
from app.entry.entered import Entered, enter
from app.entry.grammar import parse_line
from app.entry.numbers import Said
from app.entry.reading_error import SIGHT_EYE, miss_sd_m, place_sd_m, sight_sd, speed_of
from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.telling.words import tell_attempt
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table
from calibration.unfold import reflect, unfold
from tests.app.scenario import KICK, TABLE
from vision.shot import Shot

# Sights of the 9-ft table are 12 1/2 inches apart and lie 3 11/16 inches behind the nose (published: the WPA's
# equipment specification); reckoned here in inches, apart from the program's own geometry.
INCH_M = 0.0254
HIT = replace(KICK, name="hit", made="hit", target_pocket=None)
ACROSS = Shot("across", "kick", ("left", "right"), "pocketed", target_pocket="side-left")
FROM_HEAD = Shot("from the end", "bank", ("head", "left"), "pocketed", target_pocket="head-right")


def entered(line: str, shot: Shot = KICK, table: Table = TABLE) -> Entered:
    return enter(parse_line(line), shot, table)


def refused(line: str, words: str, shot: Shot = KICK) -> None:
    with pytest.raises(InputError, match=words):
        entered(line, shot)


def test_a_start_by_two_sights_and_a_line_through_a_sight() -> None:
    """Sights are counted from the target's corner, foot-right: 6 along is 75 inches from the foot rail's nose."""
    e = entered("start 6 by 1, through 3.25, made")
    assert e.start_m == pytest.approx(np.array([100 - 75, 12.5]) * INCH_M)
    run, rise = 75 - 3.25 * 12.5, 50 - 12.5 + 3.6875
    assert degrees(e.bearing_rad) == pytest.approx(degrees(np.arctan2(rise, run)))
    nose = entered("start 6 by 1, through 3.25 at the nose, made")
    assert degrees(nose.bearing_rad) == pytest.approx(degrees(np.arctan2(50 - 12.5, run)))


def test_a_start_by_one_sight_lies_on_the_line_from_it() -> None:
    e = entered("start 6, through 3.25, made")
    run, rise = (6 - 3.25) * 12.5, 50 + 2 * 3.6875
    assert degrees(e.bearing_rad) == pytest.approx(degrees(np.arctan2(rise, run)))
    from_sight = e.start_m - np.array([25.0, -3.6875]) * INCH_M
    assert abs(from_sight[0] * np.sin(e.bearing_rad) - from_sight[1] * np.cos(e.bearing_rad)) < 1e-12
    assert 0 < e.start_m[1] < TABLE.width_m
    # Anywhere on it: the sd covers a good part of the table's width.
    assert e.start_sd_m > 0.2
    nose = entered("start 6 at the nose, through 3.25 at the nose, made")
    assert degrees(nose.bearing_rad) == pytest.approx(degrees(np.arctan2(50, run)))


def test_centimetres_and_inches_are_counted_from_the_same_corner() -> None:
    by_sights = entered("start 6 by 1, through 3.25, made")
    assert entered("start 75 by 12.5 in, through 3.25, made").start_m == pytest.approx(by_sights.start_m)
    assert entered("start 190.5 by 31.75 cm, through 3.25, made").start_m == pytest.approx(by_sights.start_m)


def test_a_ball_frozen_to_a_rail_lies_on_its_track_line() -> None:
    assert entered("start 3 by 0, through 3, made").start_m[1] == pytest.approx(TABLE.track_offset_m)


@pytest.mark.parametrize(
    ("said", "miss_m"),
    [
        ("long half a ball", 0.028575),
        ("short half a ball", -0.028575),
        ("long 3 cm", 0.03),
        ("left by 1 in", 0.0254),
        ("right 20 mm", -0.02),
    ],
)
def test_a_miss_in_every_unit(said: str, miss_m: float) -> None:
    """After the left rail the ball travels towards the foot: long is on its left."""
    e = entered(f"start 6 by 1, through 3.25, {said}")
    assert e.miss_m == pytest.approx(miss_m)
    assert e.outcome == "missed"


def test_sights_of_a_miss_are_those_along_the_last_rail() -> None:
    e = entered("start 6 by 1, through 3.25, long 0.2 sights")
    words = tell_attempt(e.attempt(KICK, TABLE), KICK, TABLE)
    assert words.miss_sights.startswith("0.2")


def test_thin_and_full_are_told_from_where_the_target_ball_lies() -> None:
    thin, full = (entered(f"start 3 by 1, through 1.75, {word} by half a ball") for word in ("thin", "full"))
    assert thin.miss_m == pytest.approx(-full.miss_m)
    # The ball passes farther from the target ball's centre when it is hit thin.
    away = {}
    for name, e in (("thin", thin), ("full", full)):
        e = e.attempt(KICK, TABLE)
        target = KICK.target_point_m(TABLE)
        arrival = unfold(e.start_m, target, KICK.rails, TABLE).arrival_bearing_rad
        left = np.array([-np.sin(arrival), np.cos(arrival)])
        passes = target + e.miss_m * left
        away[name] = abs(float(left @ (np.array(KICK.target_ball) - passes)))
    assert away["thin"] > away["full"]


def test_a_hit_may_be_thin_and_is_made() -> None:
    e = entered("start 6 by 1, through 3.25, hit thin", HIT)
    assert (e.outcome, e.flags) == ("made", ("hit_thin",))
    assert isnan(e.miss_m)


@pytest.mark.parametrize(
    ("said", "side", "told"), [("long", "right", "long"), ("short", "left", "short"), ("missed left", "right", "long")]
)
def test_a_side_alone_says_whether_the_bearing_was_too_much(said: str, side: str, told: str) -> None:
    """One rail turns left into right: long after the left rail is a bearing that was less than needed."""
    e = entered(f"start 6 by 1, through 3.25, {said}, no idea how far")
    assert e.miss_side == side
    assert isnan(e.miss_m)
    attempt = e.attempt(KICK, TABLE)
    words = tell_attempt(attempt, KICK, TABLE)
    assert (words.side, words.miss, words.remarks) == (told, f"{told}, no idea how far", ())


def test_a_side_agrees_with_the_bearing_by_brute_force() -> None:
    """The same words for the same miss, over one and two rails: turn the line and see on which side the ball passes."""
    for shot, line in ((KICK, "start 6 by 1, through 3.25"), (ACROSS, "start 1.5 by 2, through 2")):
        e = entered(f"{line}, missed left, no idea how far", shot)
        target = shot.target_point_m(TABLE)
        attempt = enter(parse_line(f"{line}, made"), shot, TABLE)
        needed = np.arctan2(*(_image(shot) - attempt.start_m)[::-1])
        more = _offset(attempt.start_m, needed + 0.01, shot, target)
        assert (e.miss_side == "left") == (more > 0)


def _image(shot: Shot) -> np.ndarray:
    point = np.array(shot.target_point_m(TABLE), dtype=float)
    for rail in reversed(shot.rails):
        axis, level = TABLE.track_coordinate(rail)
        point[axis] = 2 * level - point[axis]
    return point


def _offset(start: np.ndarray, bearing: float, shot: Shot, target: np.ndarray) -> float:
    contacts, arrival = reflect(start, bearing, shot.rails, TABLE)
    return float((contacts[-1].at_m - target) @ np.array([-np.sin(arrival), np.cos(arrival)]))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("start 9.5 by 1, through 3.25, made", "start 9.5 by 1 sights lies off the table"),
        ("start 3 by 5, through 3.25, made", "lies off the table"),
        ("start 2.5 by 1.5 cm, through 3.25, made", "lies in a corner pocket"),
        ("start 300 by 20 cm, through 3.25, made", "300 by 20 cm lies off the table"),
        ("start 2.5, through 13, made", "13 is past the ends of the left rail"),
        ("start 12, through 3, made", "12 is past the ends of the right rail"),
        ("start 2.5 on the left rail, through 3, made", "is the shot's first"),
        ("start 2.5, through 3 on the foot rail, made", "this shot's first rail is the left one"),
        ("start 3 by 3.9, through 3, made", "so near to the line's sight"),
        ("start 6 by 1, through 3.25, hit", "made when a ball drops"),
        ("start 6 by 1, through 3.25, long 5 m", "wider than the table"),
    ],
)
def test_what_cannot_be_is_refused(line: str, words: str) -> None:
    refused(line, words)


def test_words_without_meaning_for_a_shot_are_refused() -> None:
    pocket_only = replace(KICK, target_ball=None)
    refused("start 6 by 1, through 3.25, thin a ball", "to be cut into a pocket", pocket_only)
    refused("start 6 by 1, through 3.25, missed thin", "to be cut into a pocket", HIT)
    refused("start 6 by 1, through 3.25, missed thin", "met full there")
    assert entered("start 3 by 1, through 1.75, missed thin").miss_side in ("left", "right")
    square = Shot("square", "kick", ("left",), "pocketed", target_pocket="side-right")
    refused("start 4 by 0.5, through 4, long a ball", "square to its last rail", square)
    assert entered("start 4 by 0.5, through 4, left by a ball", square).miss_m > 0


def test_sights_of_an_end_rail_and_a_bank() -> None:
    e = entered("start 1.5, through 2, made", FROM_HEAD)
    assert e.near_rail == "foot"
    assert np.cos(e.bearing_rad) < 0
    attempt = e.attempt(FROM_HEAD, TABLE)
    assert attempt.ball == "object"
    assert np.isnan(attempt.cue_start_m).all()


def test_the_two_parts_of_the_bearings_sd() -> None:
    """Brute force: both places moved by what they may be off, and the line seen at the target's image."""
    line = "start 6 by 1, through 3.25, made"
    e = entered(line)
    image = _image(KICK)
    sight = sight_sd(Said(3.25, 0.01)) * TABLE.diamond_m
    along = sight_sd(Said(6, 1)) * TABLE.diamond_m
    far = np.array([100 - 3.25 * 12.5, 50 + 3.6875]) * INCH_M
    heading = np.array([np.cos(e.bearing_rad), np.sin(e.bearing_rad)])
    away = float(np.hypot(*(image - e.start_m)))

    def at_image(start: np.ndarray, through: np.ndarray) -> float:
        """By how much a line passes beside the place where the undisturbed one is when it is as far as the image."""
        place = e.start_m + away * heading
        ray = (through - start) / np.hypot(*(through - start))
        return float(ray[0] * (place - start)[1] - ray[1] * (place - start)[0])

    own = at_image(e.start_m, far + [sight, 0]) / away
    shared = hypot(*(at_image(e.start_m + step, far) / away for step in ([along, 0], [0, along])))
    assert e.bearing_sd_rad == pytest.approx(abs(own), rel=0.02)
    assert e.common_sd_rad == pytest.approx(shared, rel=0.02)
    assert e.total_sd_rad == pytest.approx(hypot(own, shared), rel=0.02)


def test_sds_of_what_people_say() -> None:
    quarter = 0.25 / 12**0.5
    assert sight_sd(Said(2.5, 0.1)) == pytest.approx(hypot(quarter, SIGHT_EYE))
    assert sight_sd(Said(2.3, 0.1)) == pytest.approx(hypot(0.1 / 12**0.5, SIGHT_EYE))
    assert sight_sd(Said(2.5, 0.1, about=True)) == pytest.approx(hypot(2 * quarter, SIGHT_EYE))
    assert place_sd_m(Said(64, 1), "cm", 1.0) == pytest.approx(hypot(0.01 / 12**0.5, 0.005))
    half, two = (miss_sd_m(Said(v, 0.5), "ball", 0.05715, TABLE) for v in (0.5, 2.0))
    assert 0.010 < half < 0.014 < two < 0.018
    assert speed_of("medium") == (2.2, pytest.approx(0.346, abs=0.001))
    assert speed_of(2.3) == (2.3, pytest.approx(0.23))


def test_a_made_shot_counts_by_its_margins() -> None:
    """Beside entries with a miss, one that is only known as made tells between which bearings the needed one lies."""
    e = entered("start 6 by 1, through 3.25, made")
    row = AttemptRow(2, KICK.name, *e.start_m, e.bearing_rad, e.total_sd_rad, outcome="made",
                     margin_left_rad=e.margin_left_rad, margin_right_rad=e.margin_right_rad)  # fmt: skip
    with_miss = replace(row, row=3, miss_m=0.02, miss_sd_m=0.01, outcome="missed")
    evidence = gather([row, with_miss], TABLE, KICK)
    assert not evidence.unused
    assert evidence.observations.low_rad[0] == pytest.approx(-e.margin_left_rad)


QUARTERS = st.integers(0, 32).map(lambda k: k / 4)
AMOUNTS = st.sampled_from(["half a ball", "a quarter of a ball", "2 balls", "a ball", "3.5 cm", "1 in", "0.25 sights"])


@settings(derandomize=True, deadline=None)
@given(
    start=st.one_of(
        QUARTERS.map(lambda s: f"start {s}"),
        QUARTERS.map(lambda s: f"start {s} at the nose"),
        st.tuples(st.integers(1, 31), st.integers(1, 12)).map(lambda p: f"start {p[0] / 4} by {p[1] / 4}"),
        st.tuples(st.integers(10, 240), st.integers(10, 100)).map(lambda p: f"start {p[0]} by {p[1]} cm"),
    ),
    through=QUARTERS,
    at=st.sampled_from(["", " at the nose"]),
    result=st.one_of(
        st.sampled_from(["made", "missed", "unclear", "long, no idea how far", "missed short"]),
        st.tuples(st.sampled_from(["long", "short"]), AMOUNTS).map(" ".join),
        st.tuples(st.sampled_from(["left", "right", "thin", "full"]), AMOUNTS).map(" by ".join),
    ),
    speed=st.sampled_from(["", ", soft", ", firm", ", 2.3 m/s"]),
    english=st.sampled_from(["", ", no english", ", running english", ", 1 tip left", ", half a tip reverse"]),
    rest=st.sampled_from(["", ", scratch", ", note late"]),
    table=st.sampled_from(["9ft", "7ft", "carom"]),
)
def test_words_to_coordinates_to_words_to_coordinates(
    start: str, through: float, at: str, result: str, speed: str, english: str, rest: str, table: str
) -> None:
    """What is told back, entered, is the same place, line and miss, to a millimetre and a hundredth of a degree."""
    on = STANDARD_TABLES[table]
    shot = KICK if table == "9ft" else replace(KICK, target_ball=(on.length_m - 0.076, 0.075))
    shot = shot if on.has_pockets else replace(shot, made="hit", target_pocket=None)
    try:
        first = entered(f"{start}, through {through}{at}, {result}{speed}{english}{rest}", shot, on)
    except InputError:
        reject()
    words = tell_words(first, shot, on)
    again = entered(words, shot, on)
    assert again.start_m == pytest.approx(first.start_m, abs=1e-3)
    assert again.bearing_rad == pytest.approx(first.bearing_rad, abs=radians(0.05))
    assert again.miss_m == pytest.approx(first.miss_m, abs=1e-3, nan_ok=True)
    assert (again.outcome, again.miss_side, again.flags) == (first.outcome, first.miss_side, first.flags)
    assert again.speed_mps == pytest.approx(first.speed_mps, nan_ok=True)
    assert (again.line.english, again.line.tips, again.line.note) == (
        first.line.english,
        first.line.tips,
        first.line.note,
    )
    assert tell_words(again, shot, on) == words


def test_the_echo_of_the_examples_line() -> None:
    told = echo(entered("Start 6 by 1; thru 3 1/4, half ball long, medium"), KICK, TABLE)
    assert told.words == "start 6 by 1, through 3.25, long half a ball, medium"
    assert told.coordinates == (
        "start 0.635 m, 0.318 m ± 0.028 m; line 50.2 ± 1.1°, passes sight 3.25 of the left rail; 2.9 ± 1.2 cm long; "
        "2.2 ± 0.3 m/s"
    )
    assert echo(entered("start 6 by 1, through 3.25, made"), KICK, TABLE).coordinates.endswith("rail; made")
    assert nan != entered("start 6, through 3.25, made").miss_m
