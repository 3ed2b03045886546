"""By how much an attempt missed, with the right sign; its start, bearing and speed."""

from dataclasses import replace
from math import degrees, isnan

import numpy as np
import pytest

from calibration.table import Rail
from calibration.unfold import unfold
from tests.rendering import looking_at
from tests.vision.aimed import ERRORS, HANGING, PATHS, aimed, at_hanging, bank_motion, kick, read, read_aimed
from tests.vision.seen import TABLE, only_stroke, seen
from vision.contacts.run import Run
from vision.legs import Path
from vision.outcome import FLATTEST, attempt
from vision.place_error import PlaceError, along_sd_m
from vision.reading import BallHit, RailHit
from vision.shot import Shot
from vision.strokes import Stroke


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


def test_miss_is_surer_of_a_path_that_leads_away_from_the_camera() -> None:
    """Outlines are pulled away from a slanting camera: that moves a path across its view sideways, no other."""
    motion, shot = aimed(("foot",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    x, y = PATHS[("foot",)][2]
    # The last leg leads back towards the head and the left.
    line = motion.legs[1].velocity / np.hypot(*motion.legs[1].velocity)
    sds = []
    for aside in (line, np.array([-line[1], line[0]])):
        place = (float(x - 2.5 * aside[0]), float(y - 2.5 * aside[1]), 2.0)
        camera = looking_at(place, (x, y, 0.0), up=(0.0, 0.0, 1.0))
        sds.append(attempt(stroke, shot, PlaceError(camera, TABLE)).miss_sd_m)
    assert sds[1] > 3 * sds[0]


def contact_sd(stroke: Stroke, shot: Shot, errors: PlaceError, bearing_rad: float, rail: Rail = "left") -> float:
    """What is stated of the first contact, metres, if the ball comes to a rail at a bearing, its path sure.

    The place stays the same whatever the rail.
    """
    met = replace(stroke.cue.rail_hits[0], rail=rail, bearing_in_rad=bearing_rad, at_sd_m=0.0)
    run = replace(stroke.cue, junctions=(met, *stroke.cue.junctions[1:]))
    return attempt(replace(stroke, cue=run), shot, errors).contacts[0].at_sd_m


@pytest.mark.parametrize(
    ("rail", "bearing_deg"),
    [("left", 40.0), ("left", 90.0), ("left", 140.0), ("right", -40.0), ("foot", 50.0), ("head", 130.0)],
)
def test_contact_is_not_moved_by_what_pulls_a_ball_along_its_path(rail: Rail, bearing_deg: float) -> None:
    """A camera behind the path pulls outlines along it, one beside it across."""
    motion, shot = aimed(("left",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    x, y = stroke.cue.rail_hits[0].at_m
    along, across = (
        PlaceError(looking_at((x - 2.5 * np.cos(way), y - 2.5 * np.sin(way), 2.0), (x, y, 0.0)), TABLE)
        for way in np.radians([bearing_deg, bearing_deg + 90.0])
    )
    sds = [contact_sd(stroke, shot, errors, np.radians(bearing_deg), rail) for errors in (along, across)]
    assert sds[0] < 0.3 * sds[1]


def test_contact_of_the_flattest_path_is_as_sure_as_of_a_very_flat_one() -> None:
    motion, shot = aimed(("left",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    flat = np.arcsin(FLATTEST)
    sds = [contact_sd(stroke, shot, ERRORS, bearing) for bearing in (2 * flat, flat, flat / 3, 0.0)]
    assert sds[1] > 1.7 * sds[0]
    assert sds[2:] == pytest.approx([sds[1]] * 2, rel=0.03)


def test_contact_is_less_sure_the_flatter_the_path_comes() -> None:
    """What pulls the path towards the rail moves where it reaches it; it comes straight, and at 30 degrees."""
    motion, shot = aimed(("left",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    errors = PlaceError(looking_at((1.27, -2.0, 1.8), (1.27, 0.6, 0.0)), TABLE)
    hit = stroke.cue.rail_hits[0]
    sds = []
    for bearing_rad in (np.pi / 2, np.pi / 6):
        met = replace(hit, bearing_in_rad=bearing_rad)
        run = replace(stroke.cue, junctions=(met, *stroke.cue.junctions[1:]))
        sds.append(attempt(replace(stroke, cue=run), shot, errors).contacts[0].at_sd_m)
    outward = along_sd_m(errors.way_covariance_m2(hit.at_m, stroke.rest.pull_px), np.array([0.0, 1.0]))
    # The whole of it, but for what little leads along the rail.
    assert np.sqrt(sds[1] ** 2 - sds[0] ** 2) == pytest.approx(outward / np.tan(np.pi / 6), rel=0.25)


def test_strike_is_no_surer_than_the_place_that_the_path_leads_back_to() -> None:
    motion, shot = aimed(("left",))
    stroke = only_stroke(seen(motion, until_s=5.0))
    sure, unsure = (
        attempt(replace(stroke, rest=replace(stroke.rest, sd_m=sd_m)), shot, ERRORS) for sd_m in (0.0, 0.004)
    )
    assert np.sqrt(unsure.t_sd_s**2 - sure.t_sd_s**2) == pytest.approx(0.004 / sure.speed_mps, rel=0.05)


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
    monkeypatch.setattr("vision.miss.CARRIED_ON_SD", 1.0)
    motion, shot = aimed(("left",), 0.5)
    stroke = only_stroke(seen(motion))
    leg = stroke.cue.legs[1]
    middle = len(leg) // 2
    aside = np.array([0.3, 0.3]) * np.maximum(leg.t - leg.t[middle], 0.0)[:, None]
    bent = replace(stroke.cue, legs=(stroke.cue.legs[0], Path(leg.t, leg.xy + aside, leg.sd), *stroke.cue.legs[2:]))
    found = attempt(replace(stroke, cue=bent), shot, ERRORS)
    away_m = float(np.hypot(*(shot.target_point_m(TABLE, np.array(HANGING)) - leg.xy[middle])))
    assert found.miss_sd_m == pytest.approx(away_m, abs=0.06)
