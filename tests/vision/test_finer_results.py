"""Finer results of an attempt, on runs written down by hand."""

from itertools import pairwise
from math import atan2, degrees, nan, radians

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES, Rail, Vector
from calibration.unfold import unfold
from vision.contacts.run import Run
from vision.finer_results import Delivered, finer_flags
from vision.flags import FLAGS
from vision.legs import Path
from vision.reading import BallHit, RailHit
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
R = TABLE.ball_radius_m
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=(2.40, 0.14), target_pocket="foot-right")
BANK = Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")


def leg(begin: tuple[float, float], end: tuple[float, float], from_s: float, until_s: float) -> Path:
    share = np.linspace(0.003, 0.997, 12)
    xy = np.array(begin) + share[:, None] * (np.array(end) - begin)
    return Path(from_s + share * (until_s - from_s), xy, np.full(12, 0.0003))


def rail_hit(rail: Rail, at: tuple[float, float], t_s: float) -> RailHit:
    return RailHit(rail, np.array(at), 0.0005, t_s, nan, nan, nan, nan)


def run_of(
    name: str, places: list[tuple[float, float]], junctions: list[RailHit | BallHit | None], start_s: float
) -> Run:
    legs = tuple(leg(a, b, start_s + k, start_s + k + 1) for k, (a, b) in enumerate(pairwise(places)))
    return Run(name, legs, tuple(junctions))


def kick_past(offset_m: float) -> Delivered:
    """A cue ball that comes off the left rail straight down in y, and meets a ball ``offset_m`` nearer to the head."""
    x = 2.0 + offset_m
    back = np.sqrt(4 * R**2 - offset_m**2)
    contact = (x, 0.4 + float(back))
    places = [(1.4, 0.5), (x, TABLE.width_m - TABLE.track_offset_m), contact, (x + 0.3, 0.5)]
    hits: list[RailHit | BallHit | None] = [rail_hit("left", places[1], 1.0)]
    hits.append(BallHit(2.0, ("cue", "red"), np.array(contact)))
    run = run_of("cue", places, hits, 0.0)
    line = run.legs[0].xy[-1] - run.legs[0].xy[0]
    return Delivered("cue", np.array(places[0]), atan2(line[1], line[0]), run, 1)


RED: tuple[str, Vector] = ("red", np.array([2.0, 0.4]))


@pytest.mark.parametrize(
    ("offset_radii", "word"),
    [(0.0, "hit_full"), (0.6, "hit_three_quarters"), (1.0, "hit_half"), (1.5, "hit_quarter"), (1.9, "hit_thin")],
)
@pytest.mark.parametrize("side", [1, -1])
def test_side_and_fullness_of_the_hit(offset_radii: float, word: str, side: int) -> None:
    flags = finer_flags(kick_past(side * offset_radii * R), KICK, TABLE, RED, None, {}, {})
    assert word in flags
    # Coming down in y, greater x is to the left.
    wanted = set() if offset_radii == 0 else {"hit_left" if side > 0 else "hit_right"}
    assert {f for f in flags if f in ("hit_left", "hit_right")} == wanted


def test_rail_first() -> None:
    track = TABLE.track_offset_m
    places = [(1.4, 0.5), (1.9, TABLE.width_m - track), (TABLE.length_m - track, 0.3), (2.43, 0.2), (2.3, 0.25)]
    hits: list[RailHit | BallHit | None] = [
        rail_hit("left", places[1], 1.0),
        rail_hit("foot", places[2], 2.0),
        BallHit(3.0, ("cue", "red"), np.array(places[3])),
    ]
    ball = Delivered("cue", np.array(places[0]), 0.98, run_of("cue", places, hits, 0.0), 1)
    assert "rail_first" in finer_flags(ball, KICK, TABLE, ("red", np.array([2.40, 0.14])), None, {}, {})
    straight = kick_past(0.0)
    assert "rail_first" not in finer_flags(straight, KICK, TABLE, RED, None, {}, {})


@pytest.mark.parametrize(
    ("place", "flag"),
    [
        # Along the right rail's side of the mouth as it comes down the table: the jaw it passes first.
        ((TABLE.length_m - 0.075, 0.027), "near_jaw"),
        ((TABLE.length_m - 0.027, 0.076), "far_jaw"),
        # A hand's breadth from the pocket it is the rail.
        ((TABLE.length_m - 0.027, 0.20), None),
    ],
)
def test_jaws(place: tuple[float, float], flag: str | None) -> None:
    off_rail = (1.5, TABLE.width_m - TABLE.track_offset_m)
    start = (0.8, 0.3)
    # Nearly along the right rail, so that one jaw lies well before the other.
    onto = (1.2, 0.10)
    places = [start, off_rail, onto, place, (2.2, 0.15)]
    hits: list[RailHit | BallHit | None] = [rail_hit("left", off_rail, 1.0), None, None]
    ball = Delivered("red", np.array(start), 0.9, run_of("red", places, hits, 0.0), 1)
    found = finer_flags(ball, BANK, TABLE, None, None, {}, {})
    assert [f for f in found if f.endswith("jaw")] == ([flag] if flag else [])


def second_meeting(cue_met: BallHit | None) -> bool:
    """A banked ball and the cue ball that hit it, which turns in mid-table later on."""
    red = run_of("red", [(1.5, 0.6), (1.8, 1.2425), (2.0, 0.6)], [rail_hit("left", (1.8, 1.2425), 2.0)], 1)
    first = BallHit(1.0, ("cue", "red"), np.array([1.4, 0.55]))
    cue = run_of("cue", [(1.2, 0.5), (1.4, 0.55), (1.5, 0.3), (1.0, 0.9)], [first, cue_met], 0)
    ball = Delivered("red", np.array([1.5, 0.6]), 1.1, red, 1)
    return "double_kiss" in finer_flags(ball, BANK, TABLE, None, None, {"cue": cue, "red": red}, {})


def test_double_kiss() -> None:
    place = np.array([1.5, 0.3])
    assert second_meeting(BallHit(2.5, ("cue", "red"), place))
    assert not second_meeting(BallHit(2.5, ("cue", "blue"), place))
    assert not second_meeting(None)


@pytest.mark.parametrize("off_deg", [-20.0, -3.0, 3.0, 20.0])
def test_side_of_a_gross_miss(off_deg: float) -> None:
    start, goal = np.array([0.9, 0.3]), np.array([2.44, 0.10])
    needed = unfold(start, goal, ("left",), TABLE).bearing_rad
    run = Run("cue", (leg((0.9, 0.3), (1.2, 0.6), 0, 1),), ())
    ball = Delivered("cue", start, needed + radians(off_deg), run, None)
    flags = finer_flags(ball, KICK, TABLE, None, goal, {}, {})
    wanted = [] if abs(off_deg) < 8 else ["line_left" if off_deg > 0 else "line_right"]
    assert flags == wanted
    assert degrees(needed) > 0


def test_every_flag_is_in_the_registry() -> None:
    for flag in ("hit_full", "hit_three_quarters", "hit_half", "hit_quarter", "hit_thin", "hit_left", "hit_right"):
        assert flag in FLAGS
