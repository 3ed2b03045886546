"""Attempts in a player's words: long and short off every rail, sights, ball-widths, speed."""

from dataclasses import replace
from math import isfinite, nan, radians

import numpy as np
import pytest

from app.telling.words import corner_on, counting_corner, miss_side, side_of, tell_attempt, tell_speed
from calibration.table import STANDARD_TABLES, Pocket, Rail
from calibration.unfold import reflect
from tests.app.scenario import KICK, TABLE, attempt
from vision.flags import FLAGS
from vision.shot import Shot

# A kick off each rail, and one each of two and three rails: start, rails, target pocket. Beside it, which way along the
# last rail the ball travels, as anyone sees it on a plan of the table.
KICKS: list[tuple[tuple[float, float], tuple[Rail, ...], Pocket, tuple[int, int]]] = [
    ((0.98, 0.25), ("left",), "foot-right", (1, 0)),
    ((1.60, 0.25), ("left",), "head-right", (-1, 0)),
    ((0.98, 1.02), ("right",), "foot-left", (1, 0)),
    ((1.60, 1.02), ("right",), "head-left", (-1, 0)),
    ((1.90, 0.40), ("head",), "foot-left", (0, 1)),
    ((1.90, 0.90), ("head",), "foot-right", (0, -1)),
    ((0.70, 0.40), ("foot",), "head-left", (0, 1)),
    ((0.70, 0.90), ("foot",), "head-right", (0, -1)),
    ((0.60, 0.40), ("left", "foot"), "side-right", (0, -1)),
    ((0.60, 0.30), ("left", "foot", "right"), "head-left", (-1, 0)),
]


@pytest.mark.parametrize("size", ["9ft", "7ft"])
@pytest.mark.parametrize(("start", "rails", "pocket", "travel"), KICKS)
@pytest.mark.parametrize("error_deg", [-1.5, 1.5])
def test_long_is_too_far_along_the_last_rail(
    size: str,
    start: tuple[float, float],
    rails: tuple[Rail, ...],
    pocket: Pocket,
    travel: tuple[int, int],
    error_deg: float,
) -> None:
    table = STANDARD_TABLES[size]
    scale = table.length_m / TABLE.length_m
    shot = Shot("kick", "kick", rails, "pocketed", target_pocket=pocket)
    tried = attempt((start[0] * scale, start[1] * scale), error_deg, shot=shot, table=table)
    # Where the last leg, carried on, crosses the line through the target along the last rail.
    contacts, arrival = reflect(tried.start_m, tried.bearing_rad, rails, table)
    target = shot.target_point_m(table)
    axis = 0 if rails[-1] in ("left", "right") else 1
    leg = np.array([np.cos(arrival), np.sin(arrival)])
    reach = (target[1 - axis] - contacts[-1].at_m[1 - axis]) / leg[1 - axis]
    too_far = float((contacts[-1].at_m + reach * leg - target) @ np.array(travel))
    assert abs(too_far) > 0.01
    assert miss_side(tried, shot, table) == ("long" if too_far > 0 else "short")
    words = tell_attempt(tried, shot, table)
    sights = abs(too_far) / (table.length_m / 8 if axis == 0 else table.width_m / 4)
    assert float(words.miss_sights.split()[0]) == pytest.approx(sights, abs=0.03, rel=0.05)


def test_square_paths_have_no_long_and_no_short() -> None:
    assert side_of(0.05, "left", radians(270)) == "left"
    assert side_of(-0.05, "left", radians(271)) == "right"
    assert side_of(0.05, "left", radians(280)) == "long"
    assert side_of(0.05, "left", radians(260)) == "short"
    assert side_of(0.05, "left", nan) == "left"


def test_words_of_one_attempt() -> None:
    tried = attempt((0.98, 0.25), 1.4)
    words = tell_attempt(tried, KICK, TABLE)
    # 0.98 m from the head is (2.54 - 0.98) / 0.3175 = 4.913 sights from the foot, 0.25 / 0.3175 = 0.787 across.
    assert words.start == "4.91 along, 0.79 across"
    assert words.speed == "medium, 2.20 m/s"
    assert words.outcome == "missed"
    assert words.side == "short"
    assert words.miss == f"short by {abs(tried.miss_m) / 0.05715:.1f} ball-widths"
    # The line at the sights of the left rail: 0.09366 m behind the nose (references: 3 11/16 in).
    x = 0.98 + (1.27 + 3.6875 * 0.0254 - 0.25) / np.tan(tried.bearing_rad)
    assert words.line == f"{(2.54 - x) / 0.3175:.2f} at the left rail's sights"


def test_what_is_not_measured_is_a_dash() -> None:
    unknown = replace(
        attempt((0.98, 0.25), 1.0),
        miss_m=nan,
        miss_sd_m=nan,
        speed_mps=nan,
        start_m=np.array([nan, nan]),
        bearing_rad=nan,
        contacts=(),
        flags=("wrong_rails",),
    )
    words = tell_attempt(unknown, KICK, TABLE)
    assert (words.start, words.line, words.speed, words.miss, words.miss_sights) == ("–",) * 5
    assert words.side == "not known"
    assert words.remarks == (FLAGS["wrong_rails"],)


def test_a_miss_within_its_error_is_on_line() -> None:
    tried = replace(attempt((0.98, 0.25), 0.0), miss_m=0.004, miss_sd_m=0.005)
    assert tell_attempt(tried, KICK, TABLE).miss == "on line"


@pytest.mark.parametrize(
    ("speed_mps", "words"),
    [(0.5, "soft, 0.50"), (1.6, "soft, 1.60"), (1.8, "medium, 1.80"), (2.8, "medium, 2.80"), (3.0, "firm, 3.00")],
)
def test_speed_words(speed_mps: float, words: str) -> None:
    assert tell_speed(speed_mps, 0.02) == f"{words} m/s"
    assert tell_speed(nan, nan) == tell_speed(0.0, 0.1) == "–"


def test_counting_corners() -> None:
    assert counting_corner(KICK, TABLE) == "foot-right"
    side = Shot("side", "kick", ("left",), "pocketed", target_pocket="side-right", target_ball=(1.0, 0.05))
    assert counting_corner(side, TABLE) == "head-right"
    anything = Shot("any", "kick", ("left",), "hit", target_ball="any")
    assert counting_corner(anything, TABLE) == "foot-right"
    assert corner_on("left", "foot-right") == "foot-left"
    assert corner_on("head", "foot-right") == "head-right"


def test_scenario_is_sound() -> None:
    """The hand-made attempt obeys the first-order law that the needed bearing relies on."""
    tried = attempt((0.98, 0.25), 0.1)
    assert isfinite(tried.miss_m)
    assert tried.miss_m == pytest.approx(radians(0.1) * tried.miss_per_rad_m, rel=0.01)
