"""The drawing: well-formed, to scale, legible in awkward cases, told apart without colour, and the same every time.

After a change that is meant, write the golden picture anew with RAILPOINT_WRITE_GOLDEN=1 and look at it.
"""

import os
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from math import degrees, nan, radians
from pathlib import Path

import numpy as np
import pytest

from app.telling.drawing import draw_practice, drawing_style, legs
from app.telling.point_view import PointView, point_view
from app.telling.point_words import tell_point
from app.telling.svg import Svg, number
from app.telling.table_drawing import pocket_disc
from calibration.table import POCKETS, STANDARD_TABLES
from tests.app.scenario import KICK, TABLE, attempt, reading
from vision.reading import Attempt, BallHit, Pocketing

GOLDEN = Path(__file__).parent / "golden" / "practice.svg"
NAMESPACE = "{http://www.w3.org/2000/svg}"


def fitted(point_m: tuple[float, float] | None, *, spreading: bool = False, direction_deg: float = nan) -> PointView:
    """A point as a fit would give it, 8 by 3 cm, seen from the table's middle."""
    if point_m is None:
        direction, inverse = radians(direction_deg), 0.0
    else:
        offset = np.array(point_m) - TABLE.centre_m
        sign = -1 if spreading else 1
        direction = float(np.arctan2(sign * offset[1], sign * offset[0]))
        inverse = sign / float(np.hypot(*offset))
    return point_view(
        {
            "attempts": 5,
            "used": 5,
            "point_m": None if point_m is None else list(point_m),
            "covariance_m2": None if point_m is None else [[4e-4, 2e-4], [2e-4, 9e-4]],
            "ellipse": None if point_m is None else {"semi_major_m": 0.08, "semi_minor_m": 0.03, "angle_deg": 56.0},
            "direction_deg": degrees(direction),
            "inverse_distance_per_m": inverse,
            "region": [[56.0, 0.01], [56.5, -0.02], [57.0, 0.01]] if point_m is None else [[56.0, 0.4], [57.0, 0.5]],
            "spread_deg": 0.31,
        }
    )


def practice(n: int = 5) -> list[tuple[int, Attempt]]:
    rng = np.random.default_rng(3)
    tried = [attempt((rng.uniform(0.4, 1.5), rng.uniform(0.15, 0.4)), rng.normal(0, 1)) for _ in range(n)]
    return list(enumerate(tried, 1))


def test_the_golden_picture() -> None:
    picture = draw_practice(
        list(enumerate(reading().attempts, 1)), KICK, TABLE, fitted((2.43, 2.37)), anchor="attempt-"
    )
    if os.environ.get("RAILPOINT_WRITE_GOLDEN"):
        GOLDEN.write_text(picture, encoding="utf-8")
    assert picture == GOLDEN.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "point",
    [
        None,
        point_view({"attempts": 0, "used": 0, "reason": "too few"}),
        fitted((2.43, 2.37)),
        fitted((1.0, 0.7)),
        fitted((9.0, 12.0)),
        fitted((-1.0, -1.2), spreading=True),
        fitted(None, direction_deg=56.0),
        fitted(None, direction_deg=180.0),
    ],
)
@pytest.mark.parametrize("n", [0, 1, 60])
def test_awkward_cases_stay_in_the_picture(point: PointView | None, n: int) -> None:
    root = ET.fromstring(draw_practice(practice(n), KICK, TABLE, point))
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    # The picture never grows so far that the table becomes small in it.
    assert width < 2.2 * 1000 * TABLE.length_m
    assert height < 3.6 * 1000 * TABLE.width_m
    for element in root.iter():
        for x, y in places(element):
            assert left - 1 <= x <= left + width + 1, ET.tostring(element)
            assert top - 1 <= y <= top + height + 1, ET.tostring(element)


def test_far_points_get_an_arrow_with_the_distance() -> None:
    text = draw_practice(practice(), KICK, TABLE, fitted((9.0, 12.0)))
    assert "arrow-head" in text
    # From the middle (1.27, 0.635): 7.73 and 11.365 m, so 13.7 m.
    assert "point 14 m from the middle" in text
    assert "arrow-head" not in draw_practice(practice(), KICK, TABLE, fitted((2.43, 2.37)))
    assert "almost parallel" in draw_practice(practice(), KICK, TABLE, fitted(None, direction_deg=56.0))


def test_one_unit_is_a_millimetre_and_y_points_up() -> None:
    root = ET.fromstring(draw_practice([], KICK, TABLE))
    cloth = next(e for e in root.iter(f"{NAMESPACE}rect") if e.get("class") == "cloth")
    assert [float(cloth.attrib[k]) for k in ("x", "y", "width", "height")] == [0, -1270, 2540, 1270]
    target = next(e for e in root.iter(f"{NAMESPACE}circle") if e.get("class") == "target-ball")
    assert [float(target.attrib[k]) for k in ("cx", "cy", "r")] == [2464, -75, 28.6]


def test_outcomes_differ_in_shape_and_line_not_only_in_colour() -> None:
    made, missed = attempt((0.98, 0.25), 0.0), attempt((0.98, 0.25), 2.0)
    unclear = replace(missed, outcome="unclear")
    root = ET.fromstring(draw_practice([(1, made), (2, missed), (3, unclear)], KICK, TABLE))
    ends = {
        group.attrib["class"].split()[1]: [e.tag.removeprefix(NAMESPACE) for e in group if e.get("class") == "end"]
        for group in root.iter(f"{NAMESPACE}g")
        if group.get("class", "").startswith("attempt ")
    }
    assert ends == {"made": ["circle"], "missed": ["line", "line"], "unclear": ["rect"]}
    style = drawing_style()
    dashes = {w: re.search(rf"\.{w} \.leg {{ stroke-dasharray: ([^;]+)", style) for w in ("made", "missed", "unclear")}
    assert dashes["made"] is None
    assert dashes["missed"] is not None
    assert dashes["unclear"] is not None
    assert dashes["missed"][1] != dashes["unclear"][1]


def test_needed_lines_pass_through_the_point_that_made_them() -> None:
    """With ideal rails the lines needed meet in the mirror image of the target."""
    image = np.array(KICK.target_point_m(TABLE))
    image[1] = 2 * (TABLE.width_m - TABLE.track_offset_m) - image[1]
    root = ET.fromstring(draw_practice(practice(8), KICK, TABLE, fitted((float(image[0]), float(image[1])))))
    lines = [e for e in root.iter(f"{NAMESPACE}line") if e.get("class") == "needed"]
    assert len(lines) == 8
    for line in lines:
        x1, y1, x2, y2 = (float(line.attrib[k]) for k in ("x1", "y1", "x2", "y2"))
        along = np.array([x2 - x1, y2 - y1]) / np.hypot(x2 - x1, y2 - y1)
        offset = np.array([1000 * image[0] - x1, -1000 * image[1] - y1])
        # Errors are corrected to first order: a degree or two leave a few centimetres.
        assert abs(along[0] * offset[1] - along[1] * offset[0]) < 60


def test_legs_end_where_the_ball_arrived() -> None:
    tried = attempt((0.98, 0.25), 0.0)
    before, after = legs(tried, KICK, TABLE)
    assert len(before) == 3
    np.testing.assert_allclose(before[1], tried.contacts[0].at_m)
    np.testing.assert_allclose(before[2], tried.ball_contacts[0].at_m)
    dropped = replace(tried, ball_contacts=(), pocketed=(Pocketing("cue", "foot-right", 9.0),))
    np.testing.assert_allclose(legs(dropped, KICK, TABLE)[0][2], TABLE.mouth_m("foot-right"))
    stopped = replace(tried, contacts=(), ball_contacts=(), path_m=np.array([[3.0, 0.98, 0.25], [3.5, 1.1, 0.5]]))
    before, after = legs(stopped, KICK, TABLE)
    assert [tuple(p) for p in before] == [(0.98, 0.25), (1.1, 0.5)]
    assert after == []
    lost = replace(stopped, path_m=np.empty((0, 3)), start_m=np.array([nan, nan]))
    assert legs(lost, KICK, TABLE) == ([], [])


def test_banked_ball_is_drawn_where_it_was_itself_when_the_cue_ball_met_it() -> None:
    """A contact tells where the cue ball was; the banked ball was a ball's width beside it."""
    path = np.array([[3.0, 1.2, 0.45], [4.0, 1.5, 1.2425], [5.0, 1.8, 0.5]])
    met = [BallHit(3.0, ("cue", "red"), np.array([1.18, 0.40])), BallHit(4.5, ("cue", "red"), np.array([1.70, 0.88]))]
    tried = replace(attempt((1.2, 0.45), 0.0), ball="red", path_m=path, ball_contacts=tuple(met))
    rail = replace(tried.contacts[0], t_s=4.0, at_m=path[1, 1:])
    before, _ = legs(replace(tried, contacts=(rail,)), KICK, TABLE)
    np.testing.assert_allclose(before, [(1.2, 0.45), (1.2, 0.45), (1.5, 1.2425), (1.65, 0.87125)])
    # Without its path, what the contact tells is all there is.
    before, _ = legs(replace(tried, contacts=(rail,), path_m=np.empty((0, 3))), KICK, TABLE)
    np.testing.assert_allclose(before[-1], (1.70, 0.88))


def test_one_attempt_is_one() -> None:
    assert f"<title>{KICK.name}: 1 attempt on a" in draw_practice(practice(1), KICK, TABLE)


def test_links_titles_and_escapes() -> None:
    odd = replace(KICK, name='a "b" <c> & d')
    text = draw_practice(practice(2), odd, TABLE, anchor="attempt-")
    root = ET.fromstring(text)
    assert [a.attrib["href"] for a in root.iter(f"{NAMESPACE}a")] == ["#attempt-1", "#attempt-2"]
    assert "<c>" not in text


def test_a_picture_of_its_own_carries_its_style() -> None:
    text = draw_practice(practice(), KICK, TABLE, standalone=True)
    ET.fromstring(text)
    assert "prefers-color-scheme: dark" in text
    assert "<style>" not in draw_practice(practice(), KICK, TABLE)


@pytest.mark.parametrize("name", sorted(name for name, table in STANDARD_TABLES.items() if table.has_pockets))
def test_pockets_pass_through_their_jaw_points(name: str) -> None:
    table = STANDARD_TABLES[name]
    for pocket in POCKETS:
        centre, radius = pocket_disc(table, pocket)
        for jaw in table.jaw_points_m(pocket):
            assert np.hypot(*(jaw - centre)) == pytest.approx(radius)
        # The hole lies behind the noses.
        assert np.hypot(*(centre - table.centre_m)) > np.hypot(*(table.mouth_m(pocket) - table.centre_m))


def test_a_table_without_pockets_is_drawn_without() -> None:
    drawn = [
        draw_practice([], replace(KICK, made="hit", target_pocket=None), STANDARD_TABLES[n]) for n in ("carom", "8ft")
    ]
    assert ['class="hole"' in svg for svg in drawn] == [False, True]
    assert [svg.count('class="sight"') for svg in drawn] == [20, 18]


def test_numbers() -> None:
    assert [number(v) for v in (1.0, -0.04, 2.25, -3.16, 1e6)] == ["1", "0", "2.2", "-3.2", "1000000"]
    svg = Svg(0, 0, 10, 10)
    svg.ellipse((1, 2), (3, 4), 5)
    assert 'transform="rotate(5 1 2)"' in svg.text()


# The point told as a person would measure it. Worked by hand from the 9-ft table (sights 0.3175 m apart).
@pytest.mark.parametrize(
    ("point", "words"),
    [
        ((2.43, 2.37), "110 cm (43 in) straight out from the nose of the left rail, level with 0.35 sights"),
        ((2.64, 2.37), "left rail, 0.31 sights past the foot-left corner"),
        ((4.74, 4.27), "3.00 m (118 in) straight out from the nose of the left rail, 2.2 m past the foot-left corner"),
        ((-0.3, 2.37), "left rail, 0.94 sights past the head-left corner"),
        ((3.04, 0.635), "50 cm (20 in) straight out from the nose of the foot rail, level with 2.00 sights"),
        ((1.5875, 0.635), "on the table, 3.00 sights along and 2.00 sights across from the foot-right corner"),
    ],
)
def test_the_point_in_words(point: tuple[float, float], words: str) -> None:
    sentences = tell_point(fitted(point), KICK, TABLE)
    assert words in sentences[0]
    assert "19 times in 20" in sentences[1]
    assert sentences[2].endswith("the lines needed scatter round it by 0.2 ball-widths at the target.")
    assert "scatter" not in " ".join(tell_point(fitted(point), None, TABLE))


def test_the_ellipse_is_told_by_the_line_of_aim() -> None:
    along = tell_point(fitted((2.43, 2.37)), KICK, TABLE)[1]
    assert "8.0 cm either way along the line of aim and 3.0 cm across it" in along
    turned = replace(fitted((2.43, 2.37)), angle_rad=radians(146.0))
    assert "8.0 cm either way across the line of aim and 3.0 cm along it" in tell_point(turned, KICK, TABLE)[1]


@pytest.mark.parametrize(
    ("answer", "words"),
    [("enough", "is good enough"), ("not enough", "not good enough"), ("cannot tell", "cannot be told yet")],
)
def test_whether_one_point_will_do(answer: str, words: str) -> None:
    assert words in tell_point(replace(fitted((2.43, 2.37)), one_point=answer), KICK, TABLE)[-1]


def test_what_one_point_costs_and_what_was_thrown_together() -> None:
    fit = {"attempts": 7, "used": 7, "direction_deg": 56.0, "inverse_distance_per_m": 0.5, "one_point": "enough"}
    fit |= {
        "one_point_detail": {"extra_miss_at_most_m": 0.0123},
        "pooled": [{"by": "english", "attempts": {"left": 3, "none": 4}}],
    }
    told = tell_point(point_view(fit), KICK, TABLE)
    assert told[-2].endswith("good enough. At the worst start it costs up to 1.2 cm.")
    assert told[-1] == "Thrown together here: english left (3), none (4)."


def test_points_that_are_not_there() -> None:
    assert tell_point(point_view({"attempts": 0}), KICK, TABLE) == ["No point yet: there are no attempts."]
    why = point_view({"attempts": 2, "used": 2, "reason": "2 attempts; 3 are needed"})
    assert tell_point(why, KICK, TABLE) == ["No point yet: 2 attempts; 3 are needed."]
    parallel = tell_point(fitted(None, direction_deg=90.0), KICK, TABLE)
    assert "over the left rail at its sight 4.0 from the foot-left corner" in parallel[0]
    spreading = tell_point(fitted((-1.0, -1.2), spreading=True), KICK, TABLE)
    assert "behind the shooter" in spreading[0]


def places(element: ET.Element) -> list[tuple[float, float]]:
    got = element.attrib
    if "points" in got:
        return [(float(x), float(y)) for x, y in (pair.split(",") for pair in got["points"].split())]
    if "cx" in got and "rx" not in got:
        return [(float(got["cx"]), float(got["cy"]))]
    if "x1" in got:
        return [(float(got["x1"]), float(got["y1"])), (float(got["x2"]), float(got["y2"]))]
    if "x" in got:
        return [(float(got["x"]), float(got["y"]))]
    return []


def test_places_is_not_blind() -> None:
    """The check above sees legs: a path that leaves the view would be found."""
    far = replace(attempt((0.98, 0.25), 0.0), contacts=(), ball_contacts=(), path_m=np.array([[9.0, 50.0, 50.0]]))
    root = ET.fromstring(draw_practice([(1, far)], KICK, TABLE))
    assert any(x > 9000 for e in root.iter() for x, _ in places(e))
