"""The aim card's numbers, held against plain algebra written here, and against the same shot seen in a mirror."""

from dataclasses import replace
from math import cos, degrees, inf, isfinite, nan, radians, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.card.aim_card import AimCard, NoCard, aim_card
from app.card.lines_over_rails import far_places, near_rail, quarter_sights, turn_rad
from app.card.tape import Tape
from app.fitting.attempts_csv import AttemptRow
from app.fitting.choices import mirror_shot
from app.fitting.compare import mirrored
from app.fitting.fit import ShotFit, fit_shot
from app.fitting.one_point import SHARE_OF_MARGIN
from app.margins.shot_margins import margins
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Rail, Table
from calibration.unfold import unfold
from tests.app.test_fit import KICK, TABLE, kicks
from vision.shot import Shot

# Published: WPA, Tournament Table & Equipment Specifications. In inches, nose to nose; sights behind the nose.
LENGTH, WIDTH, SIGHTS_APART, SET_BACK = 100.0, 50.0, 12.5, 3 + 11 / 16
INCH = 0.0254


def made(rows: list[AttemptRow], shot: Shot = KICK, near: Rail | None = None) -> AimCard:
    fit = fit_shot(rows, shot_name=rows[0].shot, table=TABLE, shot=shot)
    card = aim_card(fit, rows, shot, TABLE, near)
    assert isinstance(card, AimCard), card
    return card


def aimed(bearings_deg: list[float], starts: list[tuple[float, float]]) -> list[AttemptRow]:
    """Attempts of which nothing but the line is known: it is taken for one that succeeds."""
    return [
        AttemptRow(k, "kick", *start, radians(b))
        for k, (b, start) in enumerate(zip(bearings_deg, starts, strict=True), 2)
    ]


def crossing(p: tuple[float, float], q: tuple[float, float], a: tuple[float, float], b: tuple[float, float]) -> float:
    """Where the line through p and q crosses that through a and b, as a share of the way from a to b (Cramer)."""
    px, py, qx, qy, ax, ay, bx, by = *p, *q, *a, *b
    determinant = (qx - px) * (ay - by) - (ax - bx) * (qy - py)
    return ((qx - px) * (ay - py) - (ax - px) * (qy - py)) / determinant


@pytest.mark.parametrize("near", [None, "head"])
def test_each_line_passes_its_three_places_and_the_point(near: Rail | None) -> None:
    """In inches from the specification, not by the program's own counting."""
    card = made(kicks(16, noise_deg=0.05), near=near)
    assert card.kind == "point"
    assert card.point_m is not None
    assert (card.near, card.first) == (near or "right", "left")
    point = tuple(card.point_m / INCH)
    assert len(card.rows) > 4
    for row in card.rows:
        # Counted from the foot end on a long rail, from the right end on the head rail.
        at = (LENGTH - SIGHTS_APART * row.near_sight, -SET_BACK) if near is None else (-SET_BACK, 12.5 * row.near_sight)
        for place, y in ((row.through_sight, WIDTH + SET_BACK), (row.at_nose, WIDTH)):
            sights = 8 * crossing(at, point, (LENGTH, y), (0.0, y))
            assert place.count == pytest.approx(sights, abs=1e-9)
        ball = row.ball_m / INCH
        heading = np.subtract(point, at) / np.hypot(*np.subtract(point, at))
        assert (cos(row.bearing_rad), sin(row.bearing_rad)) == pytest.approx(tuple(heading), abs=1e-9)
        away = ball - at
        assert heading[0] * away[1] - heading[1] * away[0] == pytest.approx(0.0, abs=1e-9)
        assert row.near_sight * 4 == int(row.near_sight * 4)


def test_the_extremes_are_those_of_the_whole_region() -> None:
    """Members from all over the inside of the region, each line crossed by Cramer's rule: none passes outside of what
    is stated, and the stated is reached."""
    card = made(kicks(8, noise_deg=0.5))
    ring = card.fit.convergence.region
    assert ring is not None
    rng = np.random.default_rng(3)
    middle = card.fit.convergence.family
    inside = middle + np.sqrt(rng.uniform(0, 1, (6000, 1))) * (ring[rng.integers(0, len(ring), 6000)] - middle)
    for row in card.rows:
        near = (LENGTH - SIGHTS_APART * row.near_sight, -SET_BACK)
        for place, y in ((row.through_sight, WIDTH + SET_BACK), (row.at_nose, WIDTH)):
            far = []
            for phi, kappa in inside:
                # The member's point, seen from the table's middle.
                point = (LENGTH / 2 + cos(phi) / kappa / INCH, WIDTH / 2 + sin(phi) / kappa / INCH)
                far.append(8 * crossing(near, point, (LENGTH, y), (0.0, y)))
            assert min(far) >= place.low - 1e-9
            assert max(far) <= place.high + 1e-9
            assert place.high - place.low == pytest.approx(max(far) - min(far), rel=0.03)
            assert place.within >= (place.high - place.low) / 2


@pytest.mark.parametrize(("across", "along"), [(True, False), (False, True), (True, True)])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_mirrored_shot_has_the_mirrored_card(seed: int, across: bool, along: bool) -> None:
    rows = kicks(14, seed=seed, noise_deg=0.2)
    here = made(rows)
    there = made(
        [mirrored(row, TABLE, across=across, along=along) for row in rows], mirror_shot(KICK, TABLE, across, along)
    )
    names = ({"left": "right", "right": "left"} if across else {}) | ({"head": "foot", "foot": "head"} if along else {})

    def image(name: str) -> str:
        return "-".join(names.get(part, part) for part in name.split("-"))

    assert (there.near, there.first, there.corner) == (image(here.near), image(here.first), image(here.corner))
    assert [row.state for row in there.rows] == [row.state for row in here.rows]
    assert here.tape is not None
    assert there.tape is not None
    assert (there.tape.rail, there.tape.corner) == (image(here.tape.rail), image(here.tape.corner))
    assert (there.tape.sight, there.tape.out_m) == pytest.approx((here.tape.sight, here.tape.out_m), abs=1e-4)
    assert there.turn_rad == pytest.approx(here.turn_rad, abs=1e-5)
    for one, other in zip(here.rows, there.rows, strict=True):
        assert (one.near_sight, one.on_cushion) == (other.near_sight, other.on_cushion)
        for a, b in ((one.through_sight, other.through_sight), (one.at_nose, other.at_nose)):
            assert b.count == pytest.approx(a.count, abs=1e-4)
            assert b.high - b.low == pytest.approx(a.high - a.low, rel=0.02)


@given(
    q=st.floats(0.5, 7.5), x=st.floats(0.2, 2.3), out=st.floats(0.05, 6.0), turned=st.booleans()
)  # fmt: skip
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_line_through_any_point_beyond_the_rail(q: float, x: float, out: float, turned: bool) -> None:
    """Similar triangles, written out: from the near sight to the point, the share of the way at each level."""
    near, first, corner = ("right", "left", "foot-right") if not turned else ("left", "right", "head-left")
    y_near, y_point = (-SET_BACK * INCH, TABLE.width_m + out) if not turned else (TABLE.width_m + SET_BACK * INCH, -out)
    x_near = TABLE.length_m - q * TABLE.diamond_m if not turned else q * TABLE.diamond_m
    near_m = np.array([[x_near, y_near]])
    bearing = np.arctan2([y_point - y_near], [x - x_near])
    for at, level in (("sight", SET_BACK * INCH), ("nose", 0.0)):
        (place,) = far_places(near_m, bearing, None, first, corner, TABLE, at)  # type: ignore[arg-type]
        y_far = TABLE.width_m + level if not turned else -level
        x_far = x_near + (x - x_near) * (y_far - y_near) / (y_point - y_near)
        count = (TABLE.length_m - x_far if not turned else x_far) / TABLE.diamond_m
        assert place.count == pytest.approx(count, abs=1e-9)
        assert not isfinite(place.within)
    assert (
        near_rail(np.array([[1.27, 0.635]]), np.array([np.pi / 2 if not turned else -np.pi / 2]), first, TABLE) == near
    )  # type: ignore[arg-type]


ROWS = kicks(10, noise_deg=0.2)
FIT = fit_shot(ROWS, shot_name="kick", table=TABLE, shot=KICK)


@given(phi=st.floats(0.6, 1.7), kappa=st.floats(-0.7, 0.8), near=st.sampled_from([None, "right", "head"]))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_lines_of_any_family_pass_their_places(phi: float, kappa: float, near: Rail | None) -> None:
    """Points near and far, before and behind the shooter: near place, both far places, the ball and the point on one
    straight line, the ball between the rails, and the way from near to far the way that the ball is sent."""
    family = np.array([phi, kappa if abs(kappa) > 0.02 else 0.02])
    point = TABLE.centre_m + np.array([cos(phi), sin(phi)]) / family[1]
    ring = family + np.array([[0.002, 0.0], [0.0, 0.01], [-0.002, 0.0], [0.0, -0.01], [0.002, 0.0]])
    found = replace(FIT.convergence, status="point", family=family, point_m=point, region=ring)
    card = aim_card(replace(FIT, convergence=found, weights=()), ROWS, KICK, TABLE, near)
    if isinstance(card, NoCard):
        assert "rail lies between" in card.why
        return
    low, high = card.seen.near_sights
    for row in card.rows:
        far = {
            y: np.array([LENGTH - SIGHTS_APART * place.count, y]) * INCH
            for y, place in ((WIDTH + SET_BACK, row.through_sight), (WIDTH, row.at_nose))
        }
        way = far[WIDTH] - row.near_m
        for other in (far[WIDTH + SET_BACK], row.ball_m, point):
            away = other - row.near_m
            assert abs(way[0] * away[1] - way[1] * away[0]) < 1e-9 * (1 + float(np.hypot(*away)))
        assert 0 < float((row.ball_m - row.near_m) @ way) < float(way @ way)
        assert way @ np.array([cos(row.bearing_rad), sin(row.bearing_rad)]) == pytest.approx(float(np.hypot(*way)))
        assert (row.state == "beyond") == (not low - 1e-9 <= row.near_sight <= high + 1e-9)
        assert 0 <= row.at_nose.count <= 8


def test_what_holds_what_is_beyond_and_who_vouches() -> None:
    rows = kicks(20, noise_deg=0.03)
    card = made(rows)
    assert card.fit.one_point.verdict == "enough"
    low, high = card.seen.near_sights
    for row in card.rows:
        assert row.state == ("holds" if low <= row.near_sight <= high else "beyond")
    assert {row.state for row in card.rows} == {"holds", "beyond"}
    # By hand: where the ideal line from each start, carried back, passes the sights of the right rail.
    image = unfold(np.array([0.6, 0.4]), KICK.target_point_m(TABLE), KICK.rails, TABLE).image_m
    back = [
        (
            TABLE.length_m
            - (r.start_x_m - (image[0] - r.start_x_m) * (r.start_y_m + SET_BACK * INCH) / (image[1] - r.start_y_m))
        )
        / TABLE.diamond_m
        for r in rows
    ]
    assert (low, high) == pytest.approx((min(back), max(back)), abs=0.02)
    # A wrong entry far off to the side vouches for no start there.
    odd = replace(rows[0], row=99, start_x_m=2.2, start_y_m=0.2, bearing_rad=radians(150), miss_m=0.0)
    assert made([*rows, odd]).seen.near_sights == pytest.approx((low, high), abs=0.02)
    assert len(made([*rows, odd]).seen.start_m) == 20


def test_where_the_fit_cannot_tell_a_row_is_judged_by_its_own_interval() -> None:
    card = made(kicks(9, noise_deg=0.35, seed=4))
    assert card.fit.one_point.verdict == "cannot tell"
    inside = [row for row in card.rows if row.state != "beyond"]
    assert {row.state for row in inside} == {"holds", "unsure"}
    bend = card.fit.one_point.bend
    assert bend is not None
    for row in inside:
        room = margins(KICK, TABLE, row.ball_m[None, :])
        assert room is not None
        extra = float(bend.extra_at_most_rad(row.ball_m[None, :] - TABLE.centre_m)[0])
        assert (row.state == "holds") == (extra <= SHARE_OF_MARGIN * float(room.half_rad[0]))
    # Nothing to judge by: four attempts, or a target that may be anywhere.
    assert {row.state for row in made(kicks(4, noise_deg=0.05)).rows} == {"unsure", "beyond"}
    nowhere = Shot("kick", "kick", ("left",), "hit", target_ball="any")
    assert {row.state for row in made(kicks(9, noise_deg=0.35, seed=4), nowhere).rows} == {"unsure", "beyond"}


def test_the_bend_is_what_the_verdict_was_made_of() -> None:
    """At the starts seen, the largest extra miss as a share of the margin is the one that was judged."""
    rows = kicks(14, noise_deg=0.3, seed=7)
    one = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK).one_point
    starts = np.array([[row.start_x_m, row.start_y_m] for row in rows])
    room = margins(KICK, TABLE, starts)
    assert one.bend is not None
    assert room is not None
    share = one.bend.extra_at_most_rad(starts - TABLE.centre_m) / room.half_rad
    assert share.max() == pytest.approx(one.share_of_margin_at_most, rel=1e-6)


STARTS = [(0.4, 0.3), (0.7, 0.2), (1.0, 0.4), (1.3, 0.25), (1.5, 0.35), (0.9, 0.3), (1.2, 0.5)]


def test_lines_that_do_not_turn_make_a_card_of_one_direction() -> None:
    card = made(aimed([60.2, 59.8, 60.1, 59.9, 60.15, 60.0, 59.85], STARTS), replace(KICK, target_pocket="foot-left"))
    assert card.kind == "direction"
    assert card.point_m is None
    assert card.tape is None
    assert degrees(card.direction_rad) == pytest.approx(60, abs=0.3)
    assert degrees(card.turn_rad) < 2
    # Parallel lines over opposite rails: the same count more, or less, at every sight. By the tangent:
    steps = {round(row.through_sight.count - row.near_sight, 9) for row in card.rows}
    assert len(steps) == 1
    over = (WIDTH + 2 * SET_BACK) / SIGHTS_APART / np.tan(card.direction_rad)
    assert steps.pop() == pytest.approx(-over, abs=1e-6)
    for row in card.rows:
        assert row.through_sight.low <= row.through_sight.count <= row.through_sight.high


def test_no_card_says_why_and_what_next() -> None:
    def refused(rows: list[AttemptRow], shot: Shot = KICK) -> NoCard:
        fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=shot)
        none = aim_card(fit, rows, shot, TABLE)
        assert isinstance(none, NoCard), none
        assert none.to_json()["kind"] == "none"
        return none

    few = refused(kicks(2))
    assert few.why == "2 usable attempts; a point needs at least 3"
    assert few.next_start_m is not None
    assert refused([]).next_start_m is None
    # Lines that turn by several degrees, too loosely to tell how far off they meet.
    loose = refused(aimed([62, 55, 64, 57, 66, 56, 63], STARTS))
    assert "cannot be told" in loose.why
    assert "turn by" in loose.why
    # Lines that envelope a curve.
    curved = [
        replace(r, bearing_rad=r.bearing_rad + radians(6) * (k / 30 - 0.5) ** 2, miss_sd_m=0.0005)
        for k, r in enumerate(sorted(kicks(30, noise_deg=0.02, aim_deg=0.05), key=lambda r: r.start_x_m))
    ]
    assert "do not meet in one point" in refused(curved).why


def test_the_near_rail_is_chosen_and_can_be_said() -> None:
    rows = kicks(16, noise_deg=0.05)
    assert made(rows).near == "right"
    # From low at the head end the lines come over the head rail.
    low = [replace(r, start_x_m=0.1 + 0.2 * k / 16, start_y_m=0.5 + 0.4 * (k % 4) / 4) for k, r in enumerate(rows)]
    needed = [unfold(np.array([r.start_x_m, r.start_y_m]), KICK.target_point_m(TABLE), KICK.rails, TABLE) for r in low]
    low = [replace(r, bearing_rad=p.bearing_rad, miss_m=0.0) for r, p in zip(low, needed, strict=True)]
    assert made(low).near == "head"
    # None of them comes over a sight of the right rail; of the others a few do not.
    none = aim_card(fit_shot(low, shot_name="kick", table=TABLE, shot=KICK), low, KICK, TABLE, "right")
    assert isinstance(none, NoCard)
    assert none.why == "no quarter sight of the right rail lies between the lines of the starts seen"
    assert 0 < made(rows).seen.elsewhere < 8
    with pytest.raises(InputError, match="cannot be the left rail, which the ball meets first; use head, foot, right"):
        made(rows, near="left")


def test_quarters_and_turns() -> None:
    assert list(quarter_sights(-1, 0.6, "left")) == [0, 0.25, 0.5]
    assert list(quarter_sights(3.5, 9, "head")) == [3.5, 3.75, 4.0]
    assert len(quarter_sights(2.3, 2.4, "left")) == 0
    # No bearing is special: across 0 degrees.
    middle, turn = turn_rad(np.radians([359.0, 3.0, 1.0]))
    assert degrees(middle) == pytest.approx(1)
    assert degrees(turn) == pytest.approx(4)


def test_a_line_that_never_meets_the_rail_has_no_bound() -> None:
    near_m = np.array([[1.0, -0.1]])
    region = np.array([[radians(a), 0.0] for a in (20, 90, 170, 190)])
    (place,) = far_places(near_m, np.array([radians(90)]), region, "left", "foot-right", TABLE, "sight")
    assert (place.low, place.high, place.within) == (-inf, inf, inf)
    (unknown,) = far_places(near_m, np.array([radians(90)]), None, "left", "foot-right", TABLE, "sight")
    assert str(unknown.within) == str(nan)


def test_the_json_form_is_whole() -> None:
    said = made(kicks(12)).to_json()
    assert said["near_rail"] == {"rail": "right", "counted_from": "foot-right"}
    assert said["first_rail"] == {"rail": "left", "counted_from": "foot-left"}
    assert {row["state"] for row in said["rows"]} <= {"holds", "unsure", "beyond"}
    assert all(row["at_nose"]["low"] <= row["at_nose"]["sight"] <= row["at_nose"]["high"] for row in said["rows"])


@pytest.mark.parametrize("name", sorted(STANDARD_TABLES))
def test_every_table(name: str) -> None:
    """The point of ideal rails is the target's image: opposite the corner, as far out as the table is wide."""
    table: Table = STANDARD_TABLES[name]
    mouth = 0.08 if not table.has_pockets else table.corner_mouth_m / 8**0.5
    at = (table.length_m - mouth, mouth)
    shot = KICK if table.has_pockets else Shot("kick", "kick", ("left",), "hit", target_ball=at)
    starts = np.random.default_rng(1).uniform([0.1, 0.12], [0.6, 0.6], (14, 2)) * [table.length_m, table.width_m]
    rows = []
    for k, start in enumerate(starts):
        path = unfold(start, shot.target_point_m(table), shot.rails, table)
        off = radians(0.1) * (-1) ** k
        worth = path.miss_per_rad_m
        row = AttemptRow(k + 2, "kick", float(start[0]), float(start[1]), path.bearing_rad + off)
        rows.append(replace(row, miss_m=off * worth, miss_sd_m=0.002, miss_per_rad_m=worth))
    fit: ShotFit = fit_shot(rows, shot_name="kick", table=table, shot=shot)
    card = aim_card(fit, rows, shot, table)
    assert isinstance(card, AimCard)
    assert isinstance(card.tape, Tape)
    assert (card.tape.rail, card.tape.corner) == ("left", "foot-left")
    assert card.tape.along_m == pytest.approx(mouth, abs=0.01)
    assert card.tape.out_m == pytest.approx(table.width_m - 2 * table.track_offset_m - mouth, abs=0.01)
