"""Strokes from attempts: what simulated practices put in comes out, for kicks and through the cut for banks."""

import xml.etree.ElementTree as ET
from dataclasses import replace
from math import nan, radians

import numpy as np
import pytest
from scipy.stats import norm

from app.margins.shot_margins import margins
from app.margins.through_cut import through_cut
from app.stroke.aim import Aim, aim_at
from app.stroke.analysis import analyse
from app.stroke.expected import NOTHING, Expected
from app.stroke.from_attempts import lines_of_attempts
from app.stroke.from_log import Account, ShotStroke, strokes_of
from app.telling.stroke_drawing import draw_panels
from app.telling.stroke_words import stroke_words, verdict
from calibration.errors import InputError
from tests.app.scenario import TABLE
from tests.app.strokes import BALLS_M, BANK, KICK, PLACES_M, library, object_line, practice
from vision.shot import Shot

MARK = (2.9, 3.1)


def one(rows: list, shot: Shot = KICK, aimed: str = "", **rest: object) -> ShotStroke:  # type: ignore[type-arg]
    strokes, _ = strokes_of(rows, library(shot), aimed, None, {"post": MARK}, **rest)  # type: ignore[arg-type]
    assert len(strokes) == 1
    return strokes[0]


def test_object_ball_turns_as_finite_differences_say() -> None:
    """The amplification at each start against the line of centres of two circles, moved by a hair."""
    rows = practice(BANK, np.random.default_rng(1), radians(0.1), each=3)
    lines = lines_of_attempts(BANK, TABLE, rows)
    found = margins(BANK, TABLE, lines.start_m)
    assert found is not None
    for k, logged in enumerate(lines.attempts):
        cue, ball = logged.attempt.cue_start_m, logged.attempt.start_m
        needed = float(found.needed_rad[k])
        line = float(through_cut(cue, ball, *map(np.asarray, (needed, nan, nan)), TABLE).bearing_rad)
        hair = 1e-6
        slope = (object_line(cue, ball, line + hair) - object_line(cue, ball, line - hair)) / (2 * hair)
        assert lines.magnified[k] == pytest.approx(slope, rel=1e-5)
        # A line at the edge of the cue ball's margin sends the object ball to the edge of its own.
        to_left = object_line(cue, ball, line + float(lines.left_rad[k])) - needed
        assert to_left == pytest.approx(-float(found.right_rad[k]), abs=1e-9)
    assert np.all(np.abs(lines.magnified) > 5)


@pytest.mark.parametrize(("shot", "spread_deg"), [(KICK, 0.4), (BANK, 0.1)])
def test_spread_of_the_cue_balls_line_comes_out(shot: Shot, spread_deg: float) -> None:
    rows = practice(shot, np.random.default_rng(5), radians(spread_deg), each=40, turn_rad=radians(0.05))
    found = one(rows, shot).stroke
    assert found.how == "repeats"
    assert found.spread.low_rad < radians(spread_deg) < found.spread.high_rad
    # 117 and 195 degrees of freedom: an estimate's sd is 7 and 5 %.
    assert found.spread.spread_rad == pytest.approx(radians(spread_deg), rel=0.2)
    # Ideal rails: nothing but the measurement moves the needed line.
    assert found.rest.high_rad < radians(spread_deg) / 4
    assert found.speed is None or abs(found.speed.slope_rad) < 4 * found.speed.sd_rad


def test_a_stated_mark_parts_aim_mark_and_stroke() -> None:
    """Lines to a mark with a bias of 0.3 degrees to the left; the mark's own error comes from the misses."""
    rng = np.random.default_rng(6)
    aims = np.array([np.arctan2(MARK[1] - y, MARK[0] - x) for x, y in PLACES_M]) + radians(0.3)
    rows = []
    for session in range(1, 6):
        rows += practice(
            KICK, rng, radians(0.3), each=4, aim_rad=aims, turn_rad=float(rng.normal(0, radians(0.03))), session=session
        )
    found = one(rows, aimed="post")
    k = found.stroke
    assert (k.how, found.aim) == ("aimed", Aim("post", place_m=MARK))
    assert k.spread.low_rad < radians(0.3) < k.spread.high_rad
    assert k.aim_error is not None
    assert k.aim_error.mean_rad == pytest.approx(radians(0.3), abs=3.5 * k.aim_error.sd_rad)
    assert k.aim_error.sd_rad < radians(0.08)
    here = margins(KICK, TABLE, np.array(PLACES_M))
    assert here is not None
    assert k.mark_error is not None
    off = np.arctan2(MARK[1] - np.array(PLACES_M)[:, 1], MARK[0] - np.array(PLACES_M)[:, 0]) - here.needed_rad
    assert k.mark_error.mean_rad == pytest.approx(float(off.mean()), abs=radians(0.05))
    assert k.mark_error.least_rad == pytest.approx(float(off.min()), abs=radians(0.2))
    assert k.mark_error.most_rad == pytest.approx(float(off.max()), abs=radians(0.2))


def test_a_changing_aim_is_no_spread_among_repeats_and_is_seen_beside_a_stated_line() -> None:
    rng = np.random.default_rng(9)
    places = [(0.40 + 0.12 * k, 0.25 + 0.06 * (k % 3)) for k in range(10)]
    here = margins(KICK, TABLE, np.array(places))
    assert here is not None
    aims = here.needed_rad + radians(0.8) * (-1.0) ** np.arange(10)
    rows = practice(KICK, rng, radians(0.2), each=4, places_m=places, aim_rad=aims)
    among = one(rows).stroke
    assert among.spread.low_rad < radians(0.2) < among.spread.high_rad
    stated = one(rows, aimed="post")
    assert stated.stroke.spread.spread_rad > radians(0.5)
    assert stated.stroke.mixed_aim < 1e-6
    assert any("the aim changed from place to place" in sentence for sentence in stroke_words(stated))
    steady = one(practice(KICK, rng, radians(0.2), each=4, places_m=places, aim_rad=here.needed_rad), aimed="post")
    assert steady.stroke.mixed_aim > 0.01
    assert steady.stroke.spread.spread_rad == pytest.approx(radians(0.2), rel=0.4)


def test_what_moves_the_needed_line_is_told_from_the_stroke() -> None:
    rng = np.random.default_rng(2)
    rows = practice(KICK, rng, radians(0.3), each=12, rest_rad=radians(0.3), per_mps_rad=radians(1.2))
    found = one(rows).stroke
    # Both parts: 0.3 degrees at random, and 1.2 for each m/s of an sd of 0.25 m/s.
    assert found.rest.low_rad < radians(0.424) < found.rest.high_rad
    assert found.speed is not None
    assert found.speed.slope_rad == pytest.approx(radians(1.2), abs=3.5 * found.speed.sd_rad)
    assert found.speed.chance < 1e-4


@pytest.mark.parametrize("shot", [KICK, BANK])
def test_losses_are_parted_as_they_were_put_in(shot: Shot) -> None:
    """Expected rates against the made ones: steady, off the best line, and with a needed line that moves."""
    spread = radians(0.35) if shot.kind == "kick" else radians(0.09)
    move = 2 * spread * (1 if shot.kind == "kick" else 6)
    plain = one(practice(shot, np.random.default_rng(3), spread, each=60), shot)
    assert plain.expected.differs == 0
    assert plain.expected.made == pytest.approx(plain.expected.mean, abs=3 * plain.expected.sd)
    aside = one(practice(shot, np.random.default_rng(3), spread, each=60, offset_rad=2 * spread), shot)
    e = aside.expected
    assert e.differs == -1
    assert aside.aimed_rate == pytest.approx(e.made / e.tries, abs=0.08)
    assert aside.stroke.off_best.mean_rad == pytest.approx(2 * spread, abs=4 * aside.stroke.off_best.sd_rad)
    moved = one(practice(shot, np.random.default_rng(3), spread, each=60, rest_rad=move), shot)
    assert moved.expected.differs == -1
    assert moved.aimed_rate == pytest.approx(moved.expected.rate, abs=0.08)
    assert moved.all_rate == pytest.approx(moved.expected.made / moved.expected.tries, abs=0.08)


def test_counts_are_as_unlike_the_expected_ones_as_chance_makes_them() -> None:
    """Through the whole account of a practice; with limits too wide, unlikely counts would hardly be seen."""
    rng, drills = np.random.default_rng(12), 60
    found = [one(practice(KICK, rng, radians(0.6), each=4)).expected for _ in range(drills)]
    assert sum(e.differs == 0 for e in found) >= 0.95 * drills - 3.3 * np.sqrt(0.05 * 0.95 * drills)
    unlikely = sum(e.chance < 0.3 for e in found)
    assert unlikely == pytest.approx(0.3 * drills, abs=3.3 * np.sqrt(0.3 * 0.7 * drills))
    assert unlikely > 0.1 * drills


def test_few_lines_borrow_the_players_spread() -> None:
    rng = np.random.default_rng(4)
    rows = practice(KICK, rng, radians(0.4), each=8)
    few = practice(BANK, rng, radians(0.4), each=2, places_m=BALLS_M[:1], session=2)
    strokes, together = strokes_of([*rows, *few], library(KICK, BANK))
    bank, kick = strokes
    assert (bank.shot, kick.shot) == (BANK, KICK)
    assert bank.stroke.by is not bank.stroke.spread
    assert (
        bank.stroke.by.freedom == kick.stroke.spread.freedom + bank.stroke.spread.freedom == together[0].spread.freedom
    )
    assert bank.expected.tries == 2
    assert kick.stroke.by is kick.stroke.spread
    assert any("of all this player's shots" in sentence for sentence in stroke_words(bank))


def test_what_is_left_out_is_named() -> None:
    rows = practice(KICK, np.random.default_rng(8), radians(0.3), each=5)
    rows[2] = replace(rows[2], attempt=replace(rows[2].attempt, bearing_rad=rows[2].attempt.bearing_rad + radians(5)))
    rows[3] = replace(rows[3], attempt=replace(rows[3].attempt, bearing_rad=rows[3].attempt.bearing_rad + radians(40)))
    rows[4] = replace(rows[4], attempt=replace(rows[4].attempt, bearing_rad=nan))
    rows[5] = replace(rows[5], attempt=replace(rows[5].attempt, start_m=np.array([nan, 0.3])))
    rows[6] = replace(rows[6], table=replace(TABLE, length_m=2.0))
    found = one(rows)
    assert found.stroke.spread.high_rad < radians(0.6)
    said = [sentence for sentence in stroke_words(found) if "left out" in sentence]
    assert len(said) == 5
    assert any("standard deviations" in sentence and "Attempt 2 of 2 March 2026" in sentence for sentence in said)
    banks = practice(BANK, np.random.default_rng(8), radians(0.1), each=3)
    banks[0] = replace(banks[0], attempt=replace(banks[0].attempt, cue_start_m=np.array([nan, nan])))
    banks[1] = replace(banks[1], attempt=replace(banks[1].attempt, bearing_rad=banks[1].attempt.bearing_rad + np.pi))
    reasons = [why for _, why in lines_of_attempts(BANK, TABLE, banks).unused]
    assert reasons == ["no measured place of the cue ball", "a line that the cut does not allow from there"]


def test_shots_without_a_target_still_tell_a_spread() -> None:
    rows = practice(KICK, np.random.default_rng(7), radians(0.4), each=20)
    anywhere = Shot(KICK.name, "kick", ("left",), "hit", target_ball="any")
    rows = [replace(r, attempt=replace(r.attempt, miss_m=nan, outcome="unclear")) for r in rows]
    found = one(rows, anywhere)
    assert found.stroke.spread.low_rad < radians(0.4) < found.stroke.spread.high_rad
    assert found.expected.tries == 0
    assert "No rate can be expected" in stroke_words(found)[-1]
    ET.fromstring(draw_panels([found]))
    alone = one(rows[:1], anywhere)
    assert not alone.stroke.spread.known
    assert stroke_words(alone)[0].startswith("1 line measured: too few")
    assert analyse(lines_of_attempts(KICK, TABLE, []), False).spread.freedom == 0


def test_outcomes_tell_the_spread_that_would_make_as_many() -> None:
    rng = np.random.default_rng(15)
    rows = practice(KICK, rng, radians(0.5), each=80, rest_rad=radians(0.7))
    found = one(rows)
    assert found.by_outcomes is not None
    # Stroke and rails together.
    both = np.hypot(radians(0.5), radians(0.7))
    assert found.by_outcomes.low_rad < both < found.by_outcomes.high_rad
    assert any("As many would be made with a spread of" in sentence for sentence in stroke_words(found))
    assert one(rows[:5]).by_outcomes is None


def test_a_point_elsewhere_is_no_spread() -> None:
    """Lines without a flaw to a point that is not the ideal one: what the start does to the line is not the stroke."""
    steady, point = np.random.default_rng(1), np.array([2.2, 3.4])
    aims = np.array([np.arctan2(point[1] - y, point[0] - x) for x, y in PLACES_M])
    few = one(practice(KICK, steady, radians(0.02), each=1, aim_rad=aims)).stroke
    assert (few.how, few.spread.freedom) == ("smooth", 3)
    assert few.spread.spread_rad < radians(0.3)
    ideal = margins(KICK, TABLE, np.array(PLACES_M))
    assert ideal is not None
    assert np.ptp(aims - ideal.needed_rad) > radians(2)


def test_lines_within_the_margins_are_told_from_tries_made() -> None:
    """A hair from the best line is within the margins whatever the rails do; a wild line is not."""
    rng = np.random.default_rng(3)
    fine = one(practice(KICK, rng, radians(0.05), each=8, rest_rad=radians(1.0)))
    assert fine.stroke.good.mean() == 1
    assert 0.2 < fine.made.mean() < 0.8
    wild = one(practice(KICK, rng, radians(1.5), each=8))
    assert (wild.stroke.good > 0).mean() < 0.6
    # On ideal rails the line alone decides, but for measurement errors beside the edge of a margin.
    assert (wild.made == (wild.stroke.good > 0)).mean() > 0.9
    made = int(fine.made.sum())
    assert fine.account == Account(40, 40, 40, made, made)
    assert f"40 were within them, and made were {made} of these." in " ".join(stroke_words(fine))


def test_lines_told_by_hand_are_not_counted_out() -> None:
    """An entry's line is known to a degree or so: it says something of the spread, and not on which side it lay."""
    rng = np.random.default_rng(14)
    rows = practice(KICK, rng, radians(0.4), each=8)
    rough = [
        replace(
            r,
            attempt=replace(
                r.attempt,
                bearing_sd_rad=radians(1.0),
                bearing_rad=r.attempt.bearing_rad + float(rng.normal(0, radians(1.0))),
            ),
        )
        for r in rows
    ]
    found = one(rough)
    assert found.account.lines == 0
    assert found.stroke.spread.low_rad < radians(0.4) < found.stroke.spread.high_rad
    # Left in, that error would be taken for the stroke's.
    careless = one([replace(r, attempt=replace(r.attempt, bearing_sd_rad=nan)) for r in rough])
    assert careless.stroke.spread.low_rad > radians(0.7)


def test_losses_are_counted_out() -> None:
    """Stroke, aim and rails, each against what was put in."""
    rng, half = np.random.default_rng(13), 0.7
    rows = practice(KICK, rng, radians(0.5), each=60, offset_rad=radians(0.5), rest_rad=radians(0.4))
    a = one(rows).account
    assert a.lines == 300
    # The margins are about 0.7 degrees to either side, here more and there less.
    steady = norm.cdf(half / 0.5) - norm.cdf(-half / 0.5)
    within = norm.cdf((half - 0.5) / 0.5) - norm.cdf((-half - 0.5) / 0.5)
    both = np.hypot(0.5, 0.4)
    made = norm.cdf((half - 0.5) / both) - norm.cdf((-half - 0.5) / both)
    for counted, share in ((a.steady, steady), (a.within, within), (a.made, made)):
        assert counted / 300 == pytest.approx(share, abs=0.1)
    assert a.steady > a.within > a.made > 0


def test_many_places_are_gathered_by_sights() -> None:
    rng = np.random.default_rng(6)
    places = [(float(x), float(y)) for x, y in zip(rng.uniform(0.4, 1.6, 60), rng.uniform(0.2, 0.5, 60), strict=True)]
    found = one(practice(KICK, rng, radians(0.4), each=1, places_m=places))
    assert len(found.places) <= 4 * 2
    assert sum(place.lines for place in found.places) == 60
    assert np.all(np.sum([place.members for place in found.places], axis=0) == 1)
    drawn = ET.fromstring(draw_panels([found]))
    kinds = [g.get("class") for g in drawn.iter("{http://www.w3.org/2000/svg}g")]
    # Where the geometry leaves no margin there is no best line to draw beside.
    known = np.isfinite(found.stroke.lines.best_rad)
    assert known.sum() > 40
    assert (kinds.count("made"), kinds.count("missed")) == (found.made[known].sum(), (~found.made[known]).sum())


def test_aims() -> None:
    marks = {"post": MARK, "point": (1.0, 3.0)}
    assert aim_at(" post ", KICK, TABLE, marks, None).place_m == MARK
    # A mark that a player calls so comes first.
    assert aim_at("point", KICK, TABLE, marks, None).place_m == (1.0, 3.0)
    point = aim_at("Point", KICK, TABLE, {}, np.array([0.9, 0.0]))
    assert point.family_about(TABLE) == pytest.approx([0.9, 0.0])
    # Direction and distance from the table's middle, by hand.
    above = Aim("x", place_m=(TABLE.length_m / 2, TABLE.width_m / 2 + 2.5)).family_about(TABLE)
    assert above == pytest.approx([np.pi / 2, 0.4])
    sight = aim_at("sight left 3.5", KICK, TABLE, {}, None)
    # Counted from the foot, where the shot's pocket is; sights stand behind the nose.
    assert sight.place_m == pytest.approx(
        (TABLE.length_m - 3.5 * TABLE.diamond_m, TABLE.width_m + TABLE.sight_setback_m)
    )
    assert aim_at("nose left 3.5", KICK, TABLE, {}, None).place_m == pytest.approx((sight.place_m[0], TABLE.width_m))  # type: ignore[index]
    for wrong, said in (("lamp", "the marks known are 'post', 'point'"), ("sight left x", "no count of sights")):
        with pytest.raises(InputError, match=said):
            aim_at(wrong, KICK, TABLE, marks, None)
    with pytest.raises(InputError, match="not known yet"):
        aim_at("point", KICK, TABLE, {}, np.array([nan, nan]))


def test_verdicts() -> None:
    """Golden sentences: as expected, more, and fewer with what the loss is put down to."""
    found = one(practice(KICK, np.random.default_rng(3), radians(0.4), each=8))
    told = replace(found, expected=Expected(40, 30, 32.0, 2.5, 27, 37, 0.4))
    assert verdict(told) == (
        "30 of 40 made. With this spread, aimed at the best lines, 32 are expected, 27 to 37 by chance: the stroke "
        "explains the rate."
    )
    more = replace(found, expected=Expected(40, 39, 32.0, 2.5, 27, 37, 0.01))
    assert verdict(more).endswith("more are made than the margins explain. Pockets wider than assumed would do it.")
    fewer = replace(found, expected=Expected(40, 20, 32.0, 2.5, 27, 37, 0.001), aimed_rate=0.6, all_rate=0.595)
    # 12 are lost: 8 by aim, 0.2 by the rest, 3.8 by neither.
    assert "Lost are about 8 by where they are aimed" in verdict(fewer)
    assert verdict(fewer).endswith("about 4 by what neither explains, such as pockets tighter than assumed.")
    assert "speed, english" not in verdict(fewer)
    made, tries = int(found.made.sum()), len(found.made)
    assert verdict(replace(found, expected=NOTHING)) == (
        f"{made} of {tries} made. No rate can be expected: the shot's margins are not known."
    )
