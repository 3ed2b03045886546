"""Where and when a ball met rails, balls and pockets, against paths integrated from the equations of motion."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest
from scipy.optimize import brentq

from calibration.table import POCKETS, STANDARD_TABLES, Rail, Table
from tests.vision.rolling import Rolled, frames, run
from tests.vision.seen import motion_of, only_stroke, seen
from vision.contacts.run import ball_hit, follow, pocket_at
from vision.legs import Path
from vision.reading import BallHit, RailHit

TABLE = STANDARD_TABLES["9ft"]
CAROM = STANDARD_TABLES["carom"] if "carom" in STANDARD_TABLES else STANDARD_TABLES["8ft"]
NOISE_M = 0.0003
# Starts and velocities that reach each rail from the middle of the table, slanting, and nothing else soon.
TOWARDS: dict[Rail, tuple[tuple[float, float], tuple[float, float]]] = {
    "foot": ((1.8, 0.5), (2.0, 0.7)),
    "head": ((0.7, 0.5), (-2.0, 0.7)),
    "left": ((0.6, 0.5), (0.8, 1.8)),
    "right": ((0.6, 0.8), (0.8, -1.8)),
}


def angle_deg(a_rad: float, b_rad: float) -> float:
    return float(np.degrees(np.angle(np.exp(1j * (a_rad - b_rad)))))


def bearing(velocity: np.ndarray) -> float:
    return float(np.arctan2(velocity[1], velocity[0]))


@pytest.mark.parametrize("table", [TABLE, CAROM], ids=lambda t: t.name)
@pytest.mark.parametrize("rail", TOWARDS)
def test_contact_with_each_rail(rail: Rail, table: Table) -> None:
    start, velocity = TOWARDS[rail]
    rolled = run(start, velocity, frames(0.9), table=table)
    assert [b.rail for b in rolled.bounces] == [rail]
    true = rolled.bounces[0]
    found = follow("cue", rolled.path(NOISE_M), {}, table)
    assert len(found.rail_hits) == len(found.junctions) == 1
    hit = found.rail_hits[0]
    assert hit.rail == rail
    axis, level = table.track_coordinate(rail)
    # A ball's centre at a rail is on the track line by definition; along the rail it is measured.
    assert hit.at_m[axis] == pytest.approx(level, abs=1e-9)
    assert hit.at_m == pytest.approx(true.at_m, abs=0.0015)
    assert hit.t_s == pytest.approx(true.t_s, abs=0.002)
    assert hit.speed_in_mps == pytest.approx(np.hypot(*true.before_mps), rel=0.10)
    assert hit.speed_out_mps == pytest.approx(np.hypot(*true.after_mps), rel=0.10)
    assert angle_deg(hit.bearing_in_rad, bearing(true.before_mps)) == pytest.approx(0, abs=0.3)
    assert angle_deg(hit.bearing_out_rad, bearing(true.after_mps)) == pytest.approx(0, abs=4.0)


@pytest.mark.parametrize(("fps", "tolerance_s", "tolerance_m"), [(30.0, 0.004, 0.003), (60.0, 0.002, 0.0015)])
def test_contacts_between_frames(fps: float, tolerance_s: float, tolerance_m: float) -> None:
    """Wherever the contact falls between two frames, it is found there and not at the frame nearest to it."""
    start, velocity = TOWARDS["left"]
    errors_s, errors_m = [], []
    for phase in np.linspace(0, 1, 12, endpoint=False):
        rolled = run(start, velocity, frames(1.0, fps, begin_s=0.001 + phase / fps), table=TABLE)
        hit = follow("cue", rolled.path(NOISE_M, seed=int(100 * phase)), {}, TABLE).rail_hits[0]
        errors_s.append(hit.t_s - rolled.bounces[0].t_s)
        errors_m.append(hit.at_m[0] - rolled.bounces[0].at_m[0])
    assert np.abs(errors_s).max() < tolerance_s
    assert np.abs(errors_m).max() < tolerance_m


def test_standard_deviation_of_a_contact_is_honest() -> None:
    standardised = []
    for rail, (start, velocity) in TOWARDS.items():
        for seed in range(6):
            rolled = run(start, velocity, frames(0.9, begin_s=0.001 + 0.002 * seed), table=TABLE)
            hit = follow("cue", rolled.path(NOISE_M, seed=seed), {}, TABLE).rail_hits[0]
            along = 0 if rail in ("left", "right") else 1
            standardised.append((hit.at_m[along] - rolled.bounces[0].at_m[along]) / hit.at_sd_m)
    assert 0.4 < np.sqrt(np.mean(np.square(standardised))) < 1.6


def test_rails_in_the_order_they_were_met() -> None:
    rolled = run((0.4, 0.17), (3.1, 3.4), frames(2.6), table=TABLE)
    assert [b.rail for b in rolled.bounces] == ["left", "foot", "right"]
    found = follow("cue", rolled.path(NOISE_M), {}, TABLE)
    assert [h.rail for h in found.rail_hits] == ["left", "foot", "right"]
    for hit, bounce in zip(found.rail_hits, rolled.bounces, strict=True):
        assert hit.at_m == pytest.approx(bounce.at_m, abs=0.006)
        assert hit.t_s == pytest.approx(bounce.t_s, abs=0.004)


def test_rail_met_at_a_flat_angle() -> None:
    """Slow and almost along the rail: the velocity hardly changes, but the ball comes off it all the same."""
    rolled = run((0.6, 1.20), (0.55, 0.06), frames(1.8), table=TABLE, roll_mps=(0.55, 0.06))
    assert [b.rail for b in rolled.bounces] == ["left"]
    hits = follow("cue", rolled.path(NOISE_M), {}, TABLE).rail_hits
    assert [h.rail for h in hits] == ["left"]
    assert hits[0].at_m == pytest.approx(rolled.bounces[0].at_m, abs=0.03)
    assert hits[0].t_s == pytest.approx(rolled.bounces[0].t_s, abs=0.05)


def test_ball_that_stops_at_a_rail_has_one_leg() -> None:
    rolled = run((0.6, 1.0), (0.1, 0.20), frames(4.0), table=TABLE, roll_mps=(0.1, 0.20))
    on_its_way = rolled.path(NOISE_M).part(slice(0, int(np.argmax(rolled.xy[:, 1])) + 1))
    assert follow("cue", on_its_way, {}, TABLE).junctions == ()


def test_no_contact_on_a_free_path() -> None:
    rolled = run((0.5, 0.6), (1.5, 0.1), frames(1.0))
    found = follow("cue", rolled.path(NOISE_M), {"red": np.array([0.9, 0.9])}, TABLE)
    assert found.junctions == ()
    assert len(found.legs) == 1


def collision(
    cut_deg: float, fps: float = 60.0, begin_s: float = 0.004
) -> tuple[Rolled, np.ndarray, float, np.ndarray]:
    """A cue ball rolls into a resting ball: its path, that ball's place, when they met and where the cue ball was.

    Equal balls without friction: the cue ball goes on with v sin(cut) along the tangent and (1 - e) / 2 v cos(cut)
    along the line of centres (the 90-degree rule, D. G. Alciatore), and takes its roll along.
    """
    touch, restitution = 2 * TABLE.ball_radius_m, 0.95
    free = run((0.6, 0.5), (1.6, 0.0), frames(2.0, 1000.0), roll_mps=(1.6, 0.0))
    other = np.array([1.3, 0.5 + touch * np.sin(radians(cut_deg))])

    def gap(t: float) -> float:
        return float(np.hypot(*(other - [np.interp(t, free.t, free.xy[:, k]) for k in (0, 1)]))) - touch

    met_s = float(brentq(gap, 0.05, np.interp(other[0] - 0.02, free.xy[:, 0], free.t)))
    here = np.array([np.interp(met_s, free.t, free.xy[:, k]) for k in (0, 1)])
    speed = float(np.interp(met_s, free.t, free.v[:, 0]))
    centres = (other - here) / touch
    tangent = np.array([centres[1], -centres[0]])
    after = speed * (np.array([1.0, 0]) @ tangent) * tangent
    after = after + (1 - restitution) / 2 * speed * (np.array([1.0, 0]) @ centres) * centres
    times = frames(met_s + 0.5, begin_s=begin_s)
    going = run(here, after, times[times > met_s], roll_mps=(speed, 0.0), begins_s=met_s)
    before = run((0.6, 0.5), (1.6, 0.0), times[times <= met_s], roll_mps=(1.6, 0.0))
    joined = Rolled(times, np.vstack([before.xy, going.xy]), np.vstack([before.v, going.v]), ())
    return joined, other, met_s, here


@pytest.mark.parametrize("cut_deg", [10.0, 30.0, 50.0, -30.0, -60.0])
def test_contact_of_two_balls_is_two_radii_off(cut_deg: float) -> None:
    for phase in (0.0, 0.005, 0.011):
        rolled, other, met_s, here = collision(cut_deg, begin_s=phase)
        found = follow("cue", rolled.path(NOISE_M), {"red": other, "blue": np.array([2.0, 1.0])}, TABLE)
        hits = [j for j in found.junctions if isinstance(j, BallHit)]
        assert len(hits) == 1
        assert hits[0].balls == ("cue", "red")
        assert np.hypot(*(hits[0].at_m - other)) == pytest.approx(2 * TABLE.ball_radius_m, abs=1e-6)
        # On a thin cut, half a millimetre across is more than one along the path.
        assert hits[0].at_m == pytest.approx(here, abs=0.003)
        assert hits[0].t_s == pytest.approx(met_s, abs=0.003)


def test_contact_of_balls_that_are_seen_unsurely() -> None:
    """Two balls side by side count as a crowd: single sightings are trusted little, but the contact is still found."""
    rolled, other, met_s, _ = collision(30.0)
    sightings = [replace(s, in_crowd=s.time_s > met_s - 0.1) for s in rolled.sightings(NOISE_M)]
    found = follow("cue", Path.of(sightings), {"red": other}, TABLE)
    assert [h.balls for h in found.ball_hits] == [("cue", "red")]
    assert found.ball_hits[0].t_s == pytest.approx(met_s, abs=0.02)
    assert float(found.legs[0].t[-1]) < met_s + 0.02


def test_kink_where_no_ball_is_known_is_no_contact() -> None:
    rolled, _, _, _ = collision(40.0)
    assert follow("cue", rolled.path(NOISE_M), {}, TABLE).junctions == (None,)
    far = {"red": np.array([0.8, 0.9])}
    assert follow("cue", rolled.path(NOISE_M), far, TABLE).junctions == (None,)


def test_ball_that_stays_where_it_lay_was_not_met() -> None:
    rolled, other, met_s, _ = collision(30.0)
    went = follow("cue", rolled.path(NOISE_M), {"red": other}, TABLE, {"red": met_s})
    stayed = follow("cue", rolled.path(NOISE_M), {"red": other}, TABLE, {"red": met_s + 5})
    assert (len(went.ball_hits), len(stayed.ball_hits)) == (1, 0)


def test_ball_that_lies_near_a_rail_does_not_hide_the_rail() -> None:
    """The cue ball comes off the left rail; a ball waits half a foot beside the contact."""
    start, velocity = TOWARDS["left"]
    rolled = run(start, velocity, frames(0.9), table=TABLE)
    beside = rolled.bounces[0].at_m + [0.15, 0.0]
    found = follow("cue", rolled.path(NOISE_M), {"red": beside}, TABLE)
    assert [type(j) for j in found.junctions] == [RailHit]


@pytest.mark.parametrize(
    ("start", "bearing_deg", "speed_mps", "red", "fps", "rails"),
    [
        ((0.590, 0.392), 40.62, 3.92, (2.502, 0.614), 30.0, ["left"]),
        ((0.561, 0.313), 37.90, 4.45, (2.509, 0.756), 24.0, ["left"]),
        ((0.963, 0.679), 44.48, 4.88, (2.509, 0.397), 15.0, ["left"]),
        ((1.274, 0.366), 53.01, 4.38, (2.166, 0.031), 15.0, ["left", "foot"]),
        ((0.722, 0.522), 62.17, 3.80, (2.509, 0.661), 15.0, ["left", "right"]),
        ((1.468, 0.815), 56.98, 3.04, (2.512, 0.329), 24.0, ["left"]),
    ],
)
def test_ball_at_a_rail_is_met_and_not_that_rail(
    start: tuple[float, float],
    bearing_deg: float,
    speed_mps: float,
    red: tuple[float, float],
    fps: float,
    rails: list[Rail],
) -> None:
    """The cue ball comes there in a curve, off the rail before: how the curve ends says what it met."""
    motion = motion_of({"cue": start, "red": red}, bearing_deg, speed_mps)
    assert motion.balls[0].balls == ("cue", "red")
    met = only_stroke(seen(motion, fps=fps, until_s=5.0), 5.0).cue.junctions[: len(rails) + 1]
    assert [j.rail if isinstance(j, RailHit) else j.balls for j in met if j] == [*rails, ("cue", "red")]
    hit = next(j for j in met if isinstance(j, BallHit))
    assert hit.t_s == pytest.approx(motion.balls[0].t_s, abs=0.25 / fps)


def test_moment_of_a_hit_out_of_sight_is_known_as_well_as_the_sightings_on_either_side_tell() -> None:
    """A slow ball is hidden for half a second: what sliding may have taken of that is no longer than that."""
    other = np.array([1.05 + 0.035 + 2 * TABLE.ball_radius_m, 0.6])
    times = np.arange(16) / 30
    before = Path(times, np.column_stack([1.0 + 0.1 * times, np.full(16, 0.6)]), np.full(16, 3e-4))
    after = Path(times[:4] + 1.0, np.column_stack([1.08 - 0.02 * times[:4], np.full(4, 0.6)]), np.full(4, 3e-4))
    hit = ball_hit("cue", before, after, {"red": other}, TABLE)
    assert hit is not None
    assert 0.05 < hit.t_sd_s <= 0.5


@pytest.mark.parametrize("pocket", POCKETS)
def test_pocket_in_whose_mouth_a_ball_vanished(pocket: str) -> None:
    mouth = TABLE.mouth_m(pocket)  # type: ignore[arg-type]
    inward = TABLE.centre_m - mouth
    inward = inward / np.hypot(*inward)
    # Last seen over the lip, in the mouth, or a frame before it, on its way down.
    for back_m, speed in ((-0.045, 0.5), (0.0, 1.5), (0.05, 3.0)):
        assert pocket_at(mouth + back_m * inward, -speed * inward, TABLE) == pocket
    # A ball that lay still in the mouth, or came out of it, was taken up.
    assert pocket_at(mouth, np.zeros(2), TABLE) is None
    assert pocket_at(mouth, 1.5 * inward, TABLE) is None


def test_ball_that_vanished_elsewhere_is_in_no_pocket() -> None:
    for place in ((1.27, 0.635), (0.6, 0.05), (1.9, 1.2)):
        assert pocket_at(np.array(place), np.array([1.0, 0.3]), TABLE) is None


def test_too_short_a_path_is_one_leg() -> None:
    path = Path(np.array([0.0, 0.1]), np.array([[0.5, 0.5], [0.6, 0.5]]), np.full(2, 1e-3))
    assert follow("cue", path, {}, TABLE).junctions == ()


@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_line_on_which_a_ball_set_off_ends_where_something_unseen_turned_it(fps: float) -> None:
    """A ball as dark as the cloth, met thinly: the velocity changes by less than two frames tell."""
    true = np.arctan2(0.7, 2.0)
    aside = 0.25 * np.array([-np.sin(true), np.cos(true)])
    for seed in range(8):
        path = run((0.4, 0.3), (2.0, 0.7), frames(0.7, fps), table=TABLE).path(NOISE_M, seed)
        straight = follow("cue", path, {}, TABLE)
        assert straight.junctions == ()
        bent = Path(path.t, path.xy + aside * np.maximum(path.t - 0.35, 0)[:, None], path.sd)
        found = follow("cue", bent, {}, TABLE)
        assert found.junctions == (None,)
        line = found.line_of(0, TABLE)
        assert abs(angle_deg(line.bearing_rad, true)) < max(0.1, np.degrees(4 * line.bearing_sd_rad))


@pytest.mark.parametrize(("stayed", "legs"), [(True, 1), (False, 2)])
def test_ball_that_another_passes_closely_cuts_its_path_only_if_it_left(stayed: bool, legs: int) -> None:
    """Beside it the ball that passes is seen a little aside; no rail and no kink is near."""
    rolled = run((0.6, 0.635), (1.6, 0.0), frames(0.6))
    path = rolled.path(NOISE_M)
    other = np.array([path.xy[15, 0], 0.635 + 2 * TABLE.ball_radius_m + 0.0015])
    path.xy[15:17, 1] += 0.0008
    found = follow("cue", path, {"red": other}, TABLE, {"red": path.t[-1] if stayed else path.t[15]})
    assert len(found.legs) == legs
    assert len(found.ball_hits) == len(found.junctions) == legs - 1
