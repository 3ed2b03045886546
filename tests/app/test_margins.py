"""Margins of shots against a table of mirrors that was written apart, and what the trade knows of them."""

from dataclasses import replace
from math import atan2, degrees, radians

import numpy as np
import pytest

from app.fitting.margins import margins_where_possible
from app.margins.pockets import Jaws
from app.margins.shot_margins import Margins, margins
from app.margins.through_cut import through_cut
from app.margins.windows import hit_window, pocket_window, potting_lines
from calibration.table import STANDARD_TABLES, standard_table
from calibration.unfold import unfold
from tests.app.mirror_table import MirrorTable, Pair, build, rails_of, run
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CORNER = Shot("c", "kick", ("left",), "pocketed", target_pocket="foot-right")
SHOTS = {
    "cue ball to a corner": CORNER,
    "hanging ball": replace(CORNER, target_ball=(2.49, 0.05)),
    "ball far from its pocket": replace(CORNER, target_ball=(2.0, 0.4)),
    "ball near a rail, pocketed": replace(CORNER, target_ball=(2.3, 0.03)),
    "ball near a rail, hit": replace(CORNER, made="hit", target_ball=(2.0, 0.07), target_pocket=None),
    "ball in the open, hit": replace(CORNER, made="hit", target_ball=(1.9, 0.6), target_pocket=None),
    "bank across the side": replace(CORNER, kind="bank", target_pocket="side-right"),
    "bank along to the side": replace(CORNER, kind="bank", rails=("foot",), target_pocket="side-right"),
    "two rails": replace(CORNER, rails=("left", "right"), target_pocket="foot-left"),
    "two rails round a corner": replace(CORNER, rails=("foot", "left"), target_pocket="head-right"),
    "three rails": replace(CORNER, rails=("left", "foot", "right"), target_pocket="head-left"),
    "hanging at a side pocket": replace(CORNER, target_ball=(1.25, 0.02), target_pocket="side-right"),
    "two rails to a side pocket": replace(CORNER, kind="bank", rails=("left", "foot"), target_pocket="side-right"),
    "two rails to a hanging ball": replace(
        CORNER, rails=("left", "right"), target_ball=(2.5, 1.24), target_pocket="foot-left"
    ),
    "three rails, hit": replace(
        CORNER, made="hit", rails=("left", "foot", "right"), target_ball=(1.0, 0.9), target_pocket=None
    ),
}
# Balls by a rail, and pockets that a ball reaches along one: their near rail helps.
BY_A_RAIL = ("ball near a rail, hit", "ball near a rail, pocketed", "along the rail")


def is_made(on: MirrorTable, shot: Shot, start: Pair, bearing_rad: float, rail_first: bool = True) -> bool:
    ball = shot.target_ball if shot.kind == "kick" and isinstance(shot.target_ball, tuple) else None
    found = run(on, start, bearing_rad, ball)
    count = len(shot.rails)
    if found.touched[:count] != shot.rails:
        return False
    further = found.touched[count:]
    near = set((shot.target_pocket or "").split("-"))
    if not rail_first and further and further[0] != "jaw":
        return False
    if ball is None:
        return found.pocket == shot.target_pocket and set(rails_of(further)) <= near
    if found.centres is None or len(further) > 1 or "jaw" in further:
        return False
    if shot.made == "hit":
        return True
    sent = run(on, ball, atan2(found.centres[1], found.centres[0]))
    return sent.pocket == shot.target_pocket and set(rails_of(sent.touched)) <= near


def first_failure(
    on: MirrorTable, shot: Shot, start: Pair, found: Margins, side: int, rail_first: bool = True
) -> float:
    """Angle from the best aim at which the mirrors first miss."""
    best, step = float(found.best_rad), float(found.half_rad) / 15
    good = 0.0
    while is_made(on, shot, start, best + side * (good + step), rail_first) and good < 0.6:
        good += step
    bad = good + step
    for _ in range(12):
        middle = (good + bad) / 2
        holds = is_made(on, shot, start, best + side * middle, rail_first)
        good, bad = (middle, bad) if holds else (good, middle)
    return good


@pytest.mark.parametrize("shot", SHOTS.values(), ids=list(SHOTS))
@pytest.mark.parametrize("name", ["9ft", "7ft"])
def test_margins_are_those_of_mirrors_with_jaws(shot: Shot, name: str) -> None:
    table = STANDARD_TABLES[name]
    scale = np.array([table.length_m / TABLE.length_m, table.width_m / TABLE.width_m])
    if isinstance(shot.target_ball, tuple):
        # As far from the pocket as on the larger table; a ball that is only to be hit lies as far up the table.
        ball = np.array(shot.target_ball)
        by = np.array([TABLE.length_m, 0.0]) if shot.target_pocket is None else TABLE.mouth_m(shot.target_pocket)
        there = by * scale if shot.target_pocket is None else table.mouth_m(shot.target_pocket)
        shot = replace(shot, target_ball=(float(there[0] + ball[0] - by[0]), float(there[1] + ball[1] - by[1])))
    on, rng, tried = build(table), np.random.default_rng(5), 0
    while tried < 2:
        start = rng.uniform([0.2, 0.15], [2.2, 1.0]) * scale
        found = margins(shot, table, start)
        assert found is not None
        if not found.possible or not found.half_rad > 0:
            continue
        tried += 1
        at = (float(start[0]), float(start[1]))
        for side, edge in ((1, found.left_rad), (-1, found.right_rad)):
            limit = float(found.needed_rad - found.best_rad) + side * float(edge)
            assert degrees(first_failure(on, shot, at, found, side)) == pytest.approx(side * degrees(limit), abs=0.003)


@pytest.mark.parametrize("name", BY_A_RAIL)
def test_margins_without_the_near_rails_help_are_those_of_mirrors(name: str) -> None:
    shot = SHOTS.get(name, replace(CORNER, kind="bank", rails=("head",)))
    on, rng, tried, helped = build(TABLE), np.random.default_rng(8), 0, 0
    while tried < 3:
        start = rng.uniform([0.2, 0.15], [2.2, 1.0])
        found, whole = margins(shot, TABLE, start, rail_first=False), margins(shot, TABLE, start)
        assert found is not None
        assert whole is not None
        if not found.possible or not found.half_rad > 0:
            continue
        tried += 1
        helped += bool(whole.half_rad > found.half_rad + radians(0.01))
        at = (float(start[0]), float(start[1]))
        for side, edge in ((1, found.left_rad), (-1, found.right_rad)):
            limit = float(found.needed_rad - found.best_rad) + side * float(edge)
            first = first_failure(on, shot, at, found, side, rail_first=False)
            assert degrees(first) == pytest.approx(side * degrees(limit), abs=0.003)
    assert helped


@pytest.mark.parametrize(("beside_m", "bounded"), [(0.012, "left"), (-0.012, "right")])
def test_a_pockets_mouth_beside_the_contact_ends_a_margin(beside_m: float, bounded: str) -> None:
    """Paths that meet the long rail beside its side pocket: turned towards it, the ball meets the jaw, by mirrors."""
    shot = SHOTS["ball in the open, hit"]
    top = TABLE.width_m - TABLE.track_offset_m
    jaw = TABLE.length_m / 2 + (TABLE.side_mouth_m / 2 if beside_m > 0 else -TABLE.side_mouth_m / 2)
    contact, image = np.array([jaw + beside_m, top]), np.array([1.9, 2 * top - 0.6])
    start = contact - (image - contact) * (top - 0.3) / (image - contact)[1]
    found = margins(shot, TABLE, start)
    assert found is not None
    assert found.possible
    whole = np.arcsin(2 * TABLE.ball_radius_m / found.distance_m)
    sides = {"left": float(found.left_rad), "right": float(found.right_rad)}
    assert sides.pop(bounded) < 0.5 * whole
    assert sides.popitem()[1] == pytest.approx(float(whole), rel=0.02)
    at = (float(start[0]), float(start[1]))
    for side, edge in ((1, found.left_rad), (-1, found.right_rad)):
        limit = float(found.needed_rad - found.best_rad) + side * float(edge)
        first = first_failure(build(TABLE), shot, at, found, side)
        assert degrees(first) == pytest.approx(side * degrees(limit), abs=0.003)


def test_possible_paths_are_those_that_mirrors_take() -> None:
    """Whether the rails named are met in order, on cushion, before the target ball."""
    on, rng = build(TABLE), np.random.default_rng(3)
    for name in ("ball in the open, hit", "bank along to the side", "two rails round a corner", "three rails"):
        shot, count = SHOTS[name], len(SHOTS[name].rails)
        starts = rng.uniform([0.1, 0.1], [2.4, 1.15], (60, 2))
        found = margins(shot, TABLE, starts)
        assert found is not None
        assert 0 < found.possible.sum() < 60
        ball = shot.target_ball if isinstance(shot.target_ball, tuple) else None
        for start, needed, possible in zip(starts, found.needed_rad, found.possible, strict=True):
            # With the ball in its place only until it is met: a run without it tells of the rails after.
            met = run(on, (float(start[0]), float(start[1])), float(needed), ball).touched[:count]
            assert bool(possible) is (met == shot.rails), (name, start)


def test_hit_and_pocketed_side_by_side() -> None:
    shot, start = SHOTS["hanging ball"], np.array([[0.98, 0.25], [0.5, 0.27]])
    hit, pocketed = margins(shot, TABLE, start, made="hit"), margins(shot, TABLE, start)
    assert hit is not None
    assert pocketed is not None
    assert hit.needed_rad == pytest.approx(pocketed.needed_rad)
    assert (hit.half_rad > pocketed.half_rad).all()
    assert margins(CORNER, TABLE, start, made="hit") is None
    assert margins(SHOTS["ball in the open, hit"], TABLE, start, made="pocketed") is None


def test_one_start_is_as_many() -> None:
    starts = np.random.default_rng(2).uniform([0.2, 0.2], [1.5, 0.8], (3, 4, 2))
    many = margins(CORNER, TABLE, starts)
    one = margins(CORNER, TABLE, starts[1, 2])
    assert many is not None
    assert one is not None
    assert many.left_rad.shape == (3, 4)
    assert float(one.left_rad) == pytest.approx(many.left_rad[1, 2], abs=1e-9)
    assert many.left_m == pytest.approx(many.distance_m * np.sin(many.left_rad))


def test_a_mirrored_shot_has_mirrored_margins() -> None:
    start = np.array([0.7, 0.3])
    other = replace(CORNER, rails=("right",), target_pocket="foot-left")
    left, right = margins_where_possible(CORNER, TABLE, start)
    as_left, as_right = margins_where_possible(other, TABLE, np.array([0.7, TABLE.width_m - 0.3]))
    assert (float(as_left), float(as_right)) == pytest.approx((float(right), float(left)), abs=1e-5)


def test_a_ball_in_the_open_is_hit_within_two_radii() -> None:
    shot = SHOTS["ball in the open, hit"]
    start = np.array([0.8, 0.3])
    distance = unfold(start, np.array([1.9, 0.6]), ("left",), TABLE).distance_m
    for margin in margins_where_possible(shot, TABLE, start):
        assert np.sin(margin) * distance == pytest.approx(2 * TABLE.ball_radius_m, abs=2e-5)
    near, far = margins_where_possible(shot, TABLE, np.array([1.5, 0.5])), margins_where_possible(shot, TABLE, start)
    assert far[0] < near[0]
    anything = replace(shot, target_ball="any")
    assert np.isnan(margins_where_possible(anything, TABLE, start)).all()


def test_straight_into_a_corner_more_room_than_clear_of_the_jaws() -> None:
    """A ball that rubs a facing from the middle of the mouth still drops: common practice, no source."""
    straight = pocket_window(TABLE, "foot-right").at(np.array(-np.pi / 4), TABLE.mouth_m("foot-right"))
    clear = TABLE.corner_mouth_m / 2 - TABLE.track_offset_m
    assert clear < straight[1] < TABLE.corner_mouth_m / 2
    assert straight[0] == pytest.approx(-straight[1], abs=1e-5)


def test_a_wider_mouth_and_a_straighter_cut_forgive_more() -> None:
    wide = standard_table("9ft", corner_mouth_m=0.127)
    start = np.array([0.98, 0.25])
    usual, wider = margins(CORNER, TABLE, start), margins(CORNER, wide, start)
    deep = margins(CORNER, TABLE, start, jaws=Jaws(corner_shelf_m=0.057))
    assert usual is not None
    assert wider is not None
    assert deep is not None
    assert float(wider.half_rad) > float(usual.half_rad) >= float(deep.half_rad)


def test_a_rail_beside_helps_a_ball_into_its_pocket() -> None:
    """A ball that runs in nearly along a rail may meet the rail first and drop all the same: common practice, no
    source."""
    low, high = pocket_window(TABLE, "foot-right").at(np.array(radians(-5)), TABLE.mouth_m("foot-right"))
    # From the middle of the mouth to the rail's track line at the mouth's end.
    to_rail = TABLE.mouth_m("foot-right")[1] - TABLE.track_offset_m
    assert -low > 2 * to_rail
    assert high > to_rail


def test_side_pockets_take_balls_from_in_front_only() -> None:
    """Common practice, no source: a side pocket closes as the line flattens."""
    window = pocket_window(TABLE, "side-right")
    widths = [
        float(np.subtract(*window.at(np.array(radians(d)), TABLE.mouth_m("side-right"))[::-1]))
        for d in (-90, -60, -45, -30)
    ]
    assert widths == sorted(widths, reverse=True)
    assert np.isnan(window.at(np.array(0.0), TABLE.mouth_m("side-right"))).all()


def test_a_ball_that_hangs_by_a_pocket_forgives_far_more_than_banking_it_in() -> None:
    """Common practice, no source. The same path to the same corner: as a kick at a ball in the jaws, and as a bank of
    a ball that a cue ball must send on its way."""
    start = np.array([0.98, 0.25])
    hung = margins(replace(CORNER, target_ball=(2.515, 0.025)), TABLE, start)
    banked = margins(replace(CORNER, kind="bank"), TABLE, start)
    assert hung is not None
    assert banked is not None
    assert float(hung.half_rad) > 1.5 * float(banked.half_rad)
    cue = start - 0.5 * np.array([np.cos(banked.needed_rad - 0.3), np.sin(banked.needed_rad - 0.3)])
    cut = through_cut(cue, start, banked.needed_rad, banked.left_rad, banked.right_rad, TABLE)
    assert float(hung.half_rad) > 8 * float(cut.half_rad)


def test_margins_through_the_cut_are_those_of_meeting_discs() -> None:
    """The disc that runs into the other one, step by step, against the closed form."""
    on, ball = build(TABLE), (1.2, 0.5)
    for cut_deg, apart in ((0.0, 0.3), (25.0, 0.6), (-55.0, 0.4)):
        needed, left, right = 1.1, 0.02, 0.03
        cue = np.array(ball) - apart * np.array([np.cos(needed - radians(cut_deg)), np.sin(needed - radians(cut_deg))])
        found = through_cut(cue, np.array(ball), np.array(needed), np.array(left), np.array(right), TABLE)
        bearing = float(found.bearing_rad)
        for turn, sent in ((0.0, 0.0), (float(found.left_rad), -right), (-float(found.right_rad), left)):
            met = run(on, (float(cue[0]), float(cue[1])), bearing + turn, ball).centres
            assert met is not None
            assert atan2(met[1], met[0]) == pytest.approx(needed + sent, abs=1e-9)
        one, other = (run(on, (float(cue[0]), float(cue[1])), bearing + e, ball).centres for e in (1e-6, -1e-6))
        assert one is not None
        assert other is not None
        slope = (atan2(one[1], one[0]) - atan2(other[1], other[0])) / 2e-6
        assert float(found.magnified) == pytest.approx(slope, rel=1e-4)
        assert float(found.cut_rad) == pytest.approx(needed - bearing, abs=1e-12)


def test_a_degree_of_the_cue_ball_is_many_of_the_object_ball() -> None:
    """Straight on, from d away: (d - 2R)/2R degrees for one (elementary geometry)."""
    cue, ball = np.array([0.5, 0.5]), np.array([1.2, 0.5])
    found = through_cut(cue, ball, np.zeros(1), np.full(1, 0.01), np.full(1, 0.01), TABLE)
    diameter = 2 * TABLE.ball_radius_m
    assert -found.magnified[0] == pytest.approx((0.7 - diameter) / diameter)
    behind = through_cut(cue, ball, np.array([3.0]), np.full(1, 0.01), np.full(1, 0.01), TABLE)
    assert np.isnan(behind.left_rad).all()
    assert np.isnan(behind.bearing_rad).all()


def test_a_ball_far_from_its_pocket_forgives_little() -> None:
    start = np.array([0.98, 0.25])
    halves = [
        float(found.half_rad)
        for ball in ((2.5, 0.04), (2.4, 0.14), (2.2, 0.34), (1.9, 0.6))
        if (found := margins(replace(CORNER, target_ball=ball), TABLE, start)) is not None
    ]
    assert halves == sorted(halves, reverse=True)
    assert halves[0] > 5 * halves[-1]


def test_which_lines_of_a_resting_ball_drop() -> None:
    low, high = potting_lines(TABLE, (1.9, 0.6), "foot-right")
    straight = atan2(0.0 - 0.6, 2.54 - 1.9)
    assert low < straight < high
    hanging = potting_lines(TABLE, (2.515, 0.025), "foot-right")
    assert hanging[1] - hanging[0] > 3 * (high - low)


def test_a_path_that_meets_no_cushion_or_the_ball_first_is_not_possible() -> None:
    blocked = margins(SHOTS["ball in the open, hit"], TABLE, np.array([[1.94, 0.38], [1.6, 0.4]]))
    assert blocked is not None
    assert blocked.possible.tolist() == [False, True]
    # Its contact would lie in the mouth of a side pocket.
    pocketed = margins(SHOTS["ball far from its pocket"], TABLE, np.array([0.5, 0.27]))
    assert pocketed is not None
    assert not pocketed.possible


def test_the_best_aim_is_the_middle_of_the_margins() -> None:
    along = margins(CORNER, TABLE, np.array([2.1, 0.9]))
    assert along is not None
    left, right = float(along.left_rad), float(along.right_rad)
    assert abs(left - right) > radians(0.1)
    assert float(along.best_rad - along.needed_rad) == pytest.approx((left - right) / 2)


def test_a_table_of_another_ball_has_windows_of_its_own() -> None:
    small = standard_table("9ft", ball_radius_m=0.026, nose_height_m=0.033)
    assert hit_window(small, (1.9, 0.6)).high_m[0] == pytest.approx(0.052, abs=2e-5)
