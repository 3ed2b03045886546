"""Tables against the published equipment specification; corners, pockets, sights and counting in the table frame."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import InputError
from calibration.table import CORNERS, INCH_M, POCKETS, RAILS, STANDARD_TABLES, Corner, Rail, Table, standard_table

NINE = STANDARD_TABLES["9ft"]
# A table that is not 2 : 1 and has other parts: what holds for it is not an accident of the standard sizes. Length and
# width are those of the WPBSA's rules (11 ft 8 1/2 in x 5 ft 10 in), the ball is 52.5 mm.
ODD = Table("odd", 3.569, 1.778, ball_radius_m=0.02625, nose_height_m=0.033, corner_mouth_m=0.089, side_mouth_m=0.1)


# Published sizes. WPA equipment specification: 9 ft 100 x 50 in, 8 ft 92 x 46 in, sights 12 1/2 and 11 1/2 in apart.
# Home 8 ft 88 x 44 in and 7 ft 78 x 39 in: makers' size tables. UMB rules 2.1: carom 2.84 x 1.42 m.
@pytest.mark.parametrize(
    ("name", "length_m", "width_m", "spacing_m"),
    [
        ("9ft", 2.54, 1.27, 0.3175),
        ("8ft", 2.3368, 1.1684, 0.2921),
        ("8ft-home", 88 * INCH_M, 44 * INCH_M, 11 * INCH_M),
        ("7ft", 78 * INCH_M, 39 * INCH_M, 9.75 * INCH_M),
        ("carom", 2.84, 1.42, 0.355),
    ],
)
def test_standard_sizes(name: str, length_m: float, width_m: float, spacing_m: float) -> None:
    table = STANDARD_TABLES[name]
    assert (table.length_m, table.width_m) == pytest.approx((length_m, width_m), abs=1e-9)
    assert table.diamond_m == pytest.approx(spacing_m, abs=1e-9)


@pytest.mark.parametrize("name", ["9ft", "8ft", "8ft-home", "7ft"])
def test_parts_are_within_the_specification(name: str) -> None:
    """WPA equipment specification: ball 2 1/4 in, nose at 62.5 to 64.5 % of it, sights 3 11/16 in back, mouths."""
    table = STANDARD_TABLES[name]
    assert 2 * table.ball_radius_m == pytest.approx(2.25 * INCH_M, abs=0.005 * INCH_M)
    assert 0.625 <= table.nose_height_m / (2 * table.ball_radius_m) <= 0.645
    assert table.sight_setback_m == pytest.approx(0.09366, abs=5e-6)
    assert 4.5 * INCH_M <= table.corner_mouth_m <= 4.625 * INCH_M
    assert 5 * INCH_M <= table.side_mouth_m <= 5.125 * INCH_M


def test_carom_parts() -> None:
    """UMB rules 2.1: cushion 37 mm +- 1 mm high; the ball 61 to 61.5 mm."""
    table = STANDARD_TABLES["carom"]
    assert table.nose_height_m == pytest.approx(0.037, abs=0.001)
    assert 0.061 <= 2 * table.ball_radius_m <= 0.0615


def test_sight_rectangle_of_a_nine_foot_table() -> None:
    """The specification's 3 11/16 in on each side of 100 x 50 in: 107.375 x 57.375 in; eighteen sights."""
    sights = {rail: NINE.sights_m(rail) for rail in RAILS}
    across = sights["left"][0, 1] - sights["right"][0, 1]
    along = sights["foot"][0, 0] - sights["head"][0, 0]
    assert (along / INCH_M, across / INCH_M) == pytest.approx((107.375, 57.375), abs=1e-9)
    assert sum(len(s) for s in sights.values()) == 18
    for rail in ("left", "right"):
        gaps = np.diff(sights[rail][:, 0]) / INCH_M
        assert gaps == pytest.approx([12.5, 12.5, 25.0, 12.5, 12.5], abs=1e-9)
    assert np.diff(sights["head"][:, 1]) / INCH_M == pytest.approx([12.5, 12.5], abs=1e-9)


def test_track_line_where_a_ball_touches_the_nose() -> None:
    """A sphere on the cloth touches a line at nose height: distance of line and centre is one radius."""
    for table in (NINE, ODD, STANDARD_TABLES["carom"]):
        gap = np.hypot(table.track_offset_m, table.nose_height_m - table.ball_radius_m)
        assert gap == pytest.approx(table.ball_radius_m, abs=1e-12)
    # sqrt(28.575^2 - 7.715^2), by hand.
    assert pytest.approx(0.02751, abs=5e-6) == NINE.track_offset_m


def test_track_lines_lie_inside_the_noses() -> None:
    for rail, nose, inwards in (("head", 0, 1), ("right", 0, 1), ("foot", 2.54, -1), ("left", 1.27, -1)):
        axis, level = NINE.track_coordinate(rail)  # type: ignore[arg-type]
        assert axis == (0 if rail in ("head", "foot") else 1)
        assert (level - nose) * inwards == pytest.approx(NINE.track_offset_m, abs=1e-12)


def test_four_corners_in_the_table_frame() -> None:
    """Head at x = 0, foot at x = L; right at y = 0, left at y = W, as seen from the head looking to the foot."""
    assert NINE.corner_m("head-right") == pytest.approx([0, 0])
    assert NINE.corner_m("head-left") == pytest.approx([0, 1.27])
    assert NINE.corner_m("foot-right") == pytest.approx([2.54, 0])
    assert NINE.corner_m("foot-left") == pytest.approx([2.54, 1.27])
    # Someone at the head looking along +x has +y on the left hand: z = x cross y points up.
    assert np.cross([1, 0, 0], [0, 1, 0])[2] == 1


@pytest.mark.parametrize("table", [NINE, ODD], ids=lambda t: t.name)
def test_noses_run_round_the_bed_counter_clockwise(table: Table) -> None:
    corners = np.array([table.nose_segment(rail) for rail in ("right", "foot", "left", "head")])
    for segment, following in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        assert segment[1] == pytest.approx(following[0])
    x, y = corners[:, 0, 0], corners[:, 0, 1]
    area = ((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) / 2
    assert area == pytest.approx(table.length_m * table.width_m)
    assert (corners[:, :, 2] == table.nose_height_m).all()


@pytest.mark.parametrize("table", [NINE, ODD], ids=lambda t: t.name)
def test_jaws_are_a_mouth_apart_and_on_the_noses(table: Table) -> None:
    for pocket in POCKETS:
        jaws = table.jaw_points_m(pocket)
        wide = table.side_mouth_m if pocket.startswith("side") else table.corner_mouth_m
        assert np.hypot(*(jaws[1] - jaws[0])) == pytest.approx(wide)
        on_nose = np.isclose(jaws, 0) | np.isclose(jaws, [table.length_m, table.width_m])
        assert (on_nose.sum(axis=1) == 1).all()
        assert table.mouth_m(pocket) == pytest.approx(jaws.mean(axis=0))
        assert (jaws >= 0).all()
        assert (jaws <= [table.length_m, table.width_m]).all()


def test_mouth_of_a_corner_lies_on_its_bisector() -> None:
    for corner in CORNERS:
        away = NINE.mouth_m(corner) - NINE.corner_m(corner)
        assert abs(away[0]) == pytest.approx(abs(away[1]))
        # Half the mouth from the corner: the triangle of corner and jaws is right-angled.
        assert np.hypot(*away) == pytest.approx(NINE.corner_mouth_m / 2)


def _ends(corner: Corner) -> tuple[Rail, Rail]:
    end, side = corner.split("-")
    return end, side  # type: ignore[return-value]


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("at", ["sight", "nose"])
@pytest.mark.parametrize("table", [NINE, ODD], ids=lambda t: t.name)
def test_counting_from_each_corner_comes_back(corner: Corner, at: str, table: Table) -> None:
    for rail in _ends(corner):
        for count in (0.0, 1.0, 2.2, 3.75):
            point = table.rail_point_m(rail, count, corner, at=at)  # type: ignore[arg-type]
            assert table.diamonds_along(point, rail, corner) == pytest.approx(count, abs=1e-12)
            # A line from the table's centre through the point meets the rail's own line there, and only there.
            bearing = float(np.arctan2(*(point - table.centre_m)[::-1]))
            seen = table.diamonds_of_line(table.centre_m, bearing, rail, corner, at=at)  # type: ignore[arg-type]
            assert seen == pytest.approx(count, abs=1e-9)
        assert table.rail_point_m(rail, 0.0, corner, at="nose") == pytest.approx(table.corner_m(corner))


@pytest.mark.parametrize("corner", CORNERS)
def test_whole_counts_are_the_sights(corner: Corner) -> None:
    for rail in _ends(corner):
        sights = NINE.sights_m(rail)[:, :2]
        counts = sorted(NINE.diamonds_along(s, rail, corner) for s in sights)
        assert counts == pytest.approx([1, 2, 3, 5, 6, 7] if rail in ("left", "right") else [1, 2, 3])
        for count in (1, 2, 3):
            point = NINE.rail_point_m(rail, count, corner, at="sight")
            assert np.hypot(*(sights - point).T).min() == pytest.approx(0, abs=1e-12)
    # Long-rail sight 4 is the side pocket (common practice, no source).
    side = corner.split("-")[1]
    place = NINE.rail_point_m(side, 4, corner, at="nose")  # type: ignore[arg-type]
    assert place == pytest.approx(NINE.mouth_m(f"side-{side}"))  # type: ignore[arg-type]


def test_through_the_sight_and_at_the_nose_are_different_lines() -> None:
    """At 45 degrees the two counts differ by the setback: 93.66 / 317.5 of a sight (the specification's measures)."""
    through = NINE.diamonds_of_line(NINE.centre_m, np.pi / 4, "left", "head-left", at="sight")
    opposite = NINE.diamonds_of_line(NINE.centre_m, np.pi / 4, "left", "head-left", at="nose")
    assert through - opposite == pytest.approx(0.09366 / 0.3175, abs=2e-5)


def test_a_line_along_the_rail_has_no_count() -> None:
    assert np.isnan(NINE.diamonds_of_line(NINE.centre_m, 0.0, "left", "head-left", at="nose"))


@given(st.sampled_from(CORNERS), st.floats(0, 8), st.floats(0.5, 3.0))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_sizes_scale_counts(corner: Corner, count: float, scale: float) -> None:
    """A count names the same share of the rail on any size of table."""
    larger = replace(NINE, length_m=NINE.length_m * scale, width_m=NINE.width_m * scale)
    for rail in _ends(corner):
        here = NINE.rail_point_m(rail, count, corner, at="nose")
        there = larger.rail_point_m(rail, count, corner, at="nose")
        assert there == pytest.approx(here * scale, abs=1e-9)


def test_refusals() -> None:
    with pytest.raises(InputError, match=r"'10ft' is not known; use one of 9ft"):
        standard_table("10ft")
    with pytest.raises(InputError, match="left rail does not end at the foot-right corner"):
        NINE.rail_point_m("left", 1, "foot-right", at="nose")
    with pytest.raises(InputError, match=r"length_m is 0\.0; it must be above zero"):
        standard_table("9ft", length_m=0.0)
    with pytest.raises(InputError, match="must lie between the ball's centre"):
        standard_table("9ft", nose_height_m=0.02)
    with pytest.raises(InputError, match="ball_radius_m is nan"):
        standard_table("9ft", ball_radius_m=float("nan"))
    assert standard_table("9ft", ball_radius_m=0.0286).ball_radius_m == 0.0286
