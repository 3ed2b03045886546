"""Mirror geometry: worked numbers, the frame's convention, the sign of the miss, the mirrored table, trade checks."""

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calibration.table import CORNERS, RAILS, STANDARD_TABLES, Corner, Rail, Table, Vector
from calibration.unfold import mirror, mirror_bearing, reflect, target_image, unfold
from tests.rendering import IDEAL, Physics, simulate

NINE = STANDARD_TABLES["9ft"]
SEQUENCES = [s for n in (1, 2, 3) for s in product(RAILS, repeat=n) if all(a != b for a, b in pairwise(s))]


def offset_left(point: Vector, bearing: float, target: Vector) -> float:
    """How far left of the target a line passes, as the ball travels: written out here on its own."""
    ahead = np.array([np.cos(bearing), np.sin(bearing)])
    gap = np.asarray(target) - point
    # The target stands right of the line when ahead x gap points down.
    return float(-(ahead[0] * gap[1] - ahead[1] * gap[0]))


def final_miss(start: Vector, bearing: float, rails: tuple[Rail, ...], target: Vector) -> float:
    contacts, arrival = reflect(start, bearing, rails, NINE)
    return offset_left(contacts[-1].at_m, arrival, target)


def test_worked_one_rail_path() -> None:
    """100 x 50 table, R = 1.125, from (20, 10) to (70, 20) off y = 50: elementary geometry of the mirror law.

    At one radius inside the nose the contact is at x = 48.6900, 36.428 degrees from the normal; with the mirror put at
    the nose it would be at 48.5714.
    """
    start, target = np.array([20.0, 10.0]), np.array([70.0, 20.0])
    table = Table("worked", 100, 50, ball_radius_m=1.125, nose_height_m=1.125)
    path = unfold(start, target, ["left"], table)
    assert path.contacts[0].at_m == pytest.approx([48.6900, 48.875], abs=5e-5)
    assert 90 - np.degrees(path.bearing_rad) == pytest.approx(36.428, abs=5e-4)
    at_nose = Table("worked", 100, 50, ball_radius_m=1e-9, nose_height_m=1e-9)
    assert unfold(start, target, ["left"], at_nose).contacts[0].at_m[0] == pytest.approx(48.5714, abs=5e-5)


# One kick off each rail from the table's centre, in the frame's convention: 0 to the foot, 90 to the left,
# 180 to the head, 270 to the right, counter-clockwise seen from above.
@pytest.mark.parametrize(
    ("rail", "bearing_deg", "at", "after_deg"),
    [
        ("left", 60, (1.27 + 0.60749 / np.tan(np.radians(60)), 1.24249), 300),
        ("right", 240, (1.27 - 0.60749 / np.tan(np.radians(60)), 0.02751), 120),
        ("foot", 10, (2.51249, 0.635 + 1.24249 * np.tan(np.radians(10))), 170),
        ("head", 190, (0.02751, 0.635 - 1.24249 * np.tan(np.radians(10))), 350),
    ],
)
def test_one_kick_off_each_rail(rail: Rail, bearing_deg: float, at: tuple[float, float], after_deg: float) -> None:
    contacts, arrival = reflect(NINE.centre_m, np.radians(bearing_deg), [rail], NINE)
    assert contacts[0].at_m == pytest.approx(at, abs=2e-5)
    assert np.degrees(arrival) == pytest.approx(after_deg, abs=1e-9)
    assert not contacts[0].beyond


@pytest.mark.parametrize("corner", CORNERS)
def test_one_rail_kick_to_each_corner(corner: Corner) -> None:
    """From the middle off the rail that faces the corner's side: the ball arrives at the corner's mouth."""
    side = corner.split("-")[1]
    rail: Rail = "left" if side == "right" else "right"
    # Not a quarter of the way, from where the path would run into the side pocket.
    start = np.array([1.0, 0.635]) if corner.startswith("foot") else np.array([1.54, 0.635])
    target = NINE.mouth_m(corner)
    path = unfold(start, target, [rail], NINE)
    assert path.possible
    assert offset_left(path.contacts[0].at_m, path.arrival_bearing_rad, target) == pytest.approx(0, abs=1e-12)
    assert (np.sin(path.bearing_rad) > 0) == (rail == "left")
    assert (np.cos(path.bearing_rad) > 0) == corner.startswith("foot")


@pytest.mark.parametrize("rails", SEQUENCES, ids="-".join)
def test_sign_and_size_of_the_miss(rails: tuple[Rail, ...]) -> None:
    """Turn the bearing a little to the left, follow it, measure the last leg: the sign is (-1)^rails."""
    start, target = np.array([0.9, 0.45]), np.array([1.5, 0.8])
    path = unfold(start, target, rails, NINE)
    turn = 1e-6
    assert final_miss(start, path.bearing_rad, rails, target) == pytest.approx(0, abs=1e-9)
    measured = final_miss(start, path.bearing_rad + turn, rails, target) / turn
    assert measured == pytest.approx(path.miss_per_rad_m, rel=1e-4)
    assert np.sign(path.miss_per_rad_m) == (-1) ** len(rails)
    assert path.miss_per_deg_m == pytest.approx(path.miss_per_rad_m * np.pi / 180)


def test_needed_bearing_from_a_measured_miss() -> None:
    """needed = bearing - miss / miss_per_degree, exact to second order."""
    start, target, rails = np.array([0.5, 0.27]), np.array([2.42, 0.11]), ("left",)
    path = unfold(start, target, rails, NINE)
    shot = path.bearing_rad + np.radians(0.3)
    needed = np.degrees(shot) - final_miss(start, shot, rails, target) / path.miss_per_deg_m
    assert needed == pytest.approx(np.degrees(path.bearing_rad), abs=0.002)


@given(st.floats(0.2, 2.3), st.floats(0.2, 1.0), st.floats(0, 2 * np.pi), st.sampled_from(SEQUENCES))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_mirrored_table(x: float, y: float, bearing: float, rails: tuple[Rail, ...]) -> None:
    """A film mirrored left to right: left and right change places, bearings and misses their sign, nothing else."""
    swap = {"left": "right", "right": "left", "head": "head", "foot": "foot"}
    flipped = tuple(swap[r] for r in rails)
    contacts, arrival = reflect(np.array([x, y]), bearing, rails, NINE)
    assume(len(contacts) == len(rails) and all(np.abs(c.at_m).max() < 100 for c in contacts))
    others, other = reflect(np.array([x, NINE.width_m - y]), -bearing, flipped, NINE)  # type: ignore[arg-type]
    for contact, seen in zip(contacts, others, strict=True):
        assert seen.rail == swap[contact.rail]
        assert seen.at_m == pytest.approx([contact.at_m[0], NINE.width_m - contact.at_m[1]], abs=1e-9)
        assert seen.beyond == contact.beyond
    assert np.cos(other - (-arrival)) == pytest.approx(1)
    target = np.array([1.1, 0.4])
    there = np.array([1.1, NINE.width_m - 0.4])
    miss, seen_miss = offset_left(contacts[-1].at_m, arrival, target), offset_left(others[-1].at_m, other, there)
    assert seen_miss == pytest.approx(-miss, abs=1e-9)


@given(st.floats(0.1, 2.4), st.floats(0.1, 1.1), st.sampled_from(RAILS))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_mirror_twice_is_nothing(x: float, y: float, rail: Rail) -> None:
    point = np.array([x, y])
    assert mirror(mirror(point, rail, NINE), rail, NINE) == pytest.approx(point, abs=1e-12)
    axis, level = NINE.track_coordinate(rail)
    assert (mirror(point, rail, NINE) + point)[axis] / 2 == pytest.approx(level)
    assert np.cos(mirror_bearing(mirror_bearing(x, rail), rail) - x) == pytest.approx(1)


def test_margins_swap_sides_with_each_rail() -> None:
    """The margin to the left of the bearing is what the path may stray to the right after one rail."""
    start, target = np.array([0.5, 0.27]), np.array([2.42, 0.11])
    one = unfold(start, target, ["left"], NINE)
    left_deg, right_deg = one.margins_deg(0.02, 0.01)
    assert np.radians(left_deg) * one.distance_m == pytest.approx(0.01)
    assert np.radians(right_deg) * one.distance_m == pytest.approx(0.02)
    two = unfold(start, target, ["left", "right"], NINE)
    assert np.radians(two.margins_deg(0.02, 0.01)) * two.distance_m == pytest.approx([0.02, 0.01])


def test_what_cannot_be_played() -> None:
    """A path into a pocket's mouth, one that would run backwards, one along its rail."""
    into_side = unfold(np.array([0.27, 0.3]), np.array([2.27, 0.3]), ["left"], NINE)
    assert into_side.contacts[0].at_m[0] == pytest.approx(1.27)
    assert not into_side.possible
    assert not unfold(np.array([1.0, 0.5]), np.array([1.2, 0.6]), ["left", "foot", "left"], NINE).possible
    contacts, _ = reflect(np.array([1.0, 0.5]), 0.0, ["left"], NINE)
    assert contacts == ()


def test_followed_bearing_agrees_with_a_ball_that_rolls_between_mirrors() -> None:
    """The tests' own event-driven motion on ideal cushions meets the rails where the unfolding says."""
    start, target, rails = (0.55, 0.40), np.array([0.35, 0.9]), ("left", "foot", "right")
    path = unfold(np.array(start), target, rails, NINE)
    motion = simulate({"cue": start}, "cue", path.bearing_rad, 6.0, NINE, IDEAL)
    for contact, seen in zip(path.contacts, motion.rails, strict=False):
        assert (seen.rail, seen.at_m) == (contact.rail, pytest.approx(contact.at_m, abs=1e-9))


def test_simple_cushion_turns_the_path_as_published() -> None:
    """tan(out) = (e_t / e_n) tan(in), angles from the normal: the usual two-coefficient cushion (from memory)."""
    motion = simulate({"cue": (0.5, 0.5)}, "cue", 1.0, 3.0, NINE, Physics(rail_restitution=0.7, rail_tangential=0.8))
    hit = motion.rails[0]
    turned_in, turned_out = np.pi / 2 - hit.bearing_in_rad, np.pi / 2 + hit.bearing_out_rad
    assert np.tan(turned_out) == pytest.approx(0.8 / 0.7 * np.tan(turned_in))


def test_five_sights_to_the_corner_goes_through_two_and_a_fifth() -> None:
    """Common practice, no source: 9-ft table, one rail to the corner that the sights are counted from.

    From the sight at 5 on the near long rail the line runs through about 2.2 at the sight of the far long rail. Ideal
    mirror geometry with the specification's setback (WPA: 3 11/16 in) gives it within a tenth of a diamond.
    """
    for corner, near, far in (("foot-right", "right", "left"), ("head-left", "left", "right")):
        start = NINE.rail_point_m(near, 5, corner, at="sight")  # type: ignore[arg-type]
        path = unfold(start, NINE.mouth_m(corner), [far], NINE)  # type: ignore[list-item, arg-type]
        end = corner.split("-")[0]
        count = NINE.diamonds_of_line(start, path.bearing_rad, far, f"{end}-{far}", at="sight")  # type: ignore[arg-type]
        assert count == pytest.approx(2.2, abs=0.1)


@pytest.mark.parametrize("x", [0.4, 1.27, 2.3])
def test_ideal_points_in_track_widths(x: float) -> None:
    """Common practice, no source: 2 widths from the near track line for one crossing back, 3 for the double."""
    near, far = NINE.track_coordinate("right")[1], NINE.track_coordinate("left")[1]
    width = far - near
    once = target_image(np.array([x, near]), ["left"], NINE)
    assert once == pytest.approx([x, near + 2 * width], abs=1e-12)
    double = target_image(np.array([x, far]), ["left", "right"], NINE)
    assert double == pytest.approx([x, near + 3 * width], abs=1e-12)
