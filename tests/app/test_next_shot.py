"""What to shoot next: against brute force, published identities of bearings' information, and simulated practice."""

import csv
from dataclasses import replace
from math import cos, degrees, isfinite, nan, pi, radians, sin
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from sqlalchemy import Engine

from app.fitting import lines
from app.fitting.convergence import Convergence, converge
from app.fitting.likelihood import Observations, measured_bearings
from app.margins.shot_margins import margins
from app.next_shot.design import RIDGE, Design, best, design
from app.next_shot.plan import MOST_ATTEMPTS, NextShot, Plan, plan
from app.next_shot.shootable import CLEAR_OF_RAIL_M, places, shootable
from app.store.log import store_reading
from app.telling.next_words import tell_plan
from calibration.errors import InputError
from calibration.table import Vector
from calibration.unfold import target_image
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, TABLE, reading
from tests.app.test_command_line import refused, run

PUBLISHED = Path(__file__).parents[1] / "published"
IMAGE = target_image(KICK.target_point_m(TABLE), KICK.rails, TABLE) - TABLE.centre_m
FAMILY = lines.from_point(IMAGE)


def seen_from(angles_rad: list[float], point: Vector, distance: float = 1.0) -> Vector:
    """Starts at one distance from a point, from which it is seen at these bearings."""
    return point - distance * np.array([(cos(a), sin(a)) for a in angles_rad])


def point_information(d: Design) -> Vector:
    """On the point's own coordinates."""
    back = np.linalg.inv(lines.point_jacobian(d.family))
    return np.asarray(back.T @ (d.information - RIDGE * np.eye(2)) @ back)


def of_starts(point: Vector, starts: Vector, weight: float = 1.0) -> Design:
    return design(lines.from_point(point), starts, np.full(len(starts), weight), None)


POINT = np.array([3.0, 0.4])


@pytest.mark.parametrize("apart_deg", [15, 30, 60, 90, 120])
def test_two_bearings_know_by_the_square_of_the_sine(apart_deg: float) -> None:
    """Published: det F = sin^2 of the separation for unit distances and sds (Bishop, Fidan, Anderson, Dogancay and
    Pathirana, Automatica 46, 2010, from memory); principal sds 1 / sqrt(2 sin^2 g/2), 1 / sqrt(2 cos^2 g/2)."""
    g = radians(apart_deg)
    found = point_information(of_starts(POINT, seen_from([0.0, g], POINT)))
    assert np.linalg.det(found) == pytest.approx(sin(g) ** 2)
    expected = sorted([1 / np.sqrt(2 * sin(g / 2) ** 2), 1 / np.sqrt(2 * cos(g / 2) ** 2)])
    assert sorted(1 / np.sqrt(np.linalg.eigvalsh(found))) == pytest.approx(expected)


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_evenly_spaced_bearings_know_alike_in_all_directions(n: int) -> None:
    """Published, as above: n bearings spaced by 180/n degrees give F = n/2 times the unit matrix."""
    found = point_information(of_starts(POINT, seen_from([pi * k / n for k in range(n)], POINT)))
    assert found == pytest.approx(n / 2 * np.eye(2), abs=1e-9)


def test_the_bound_in_lenths_geometry() -> None:
    """Stations: published, Lenth, Technometrics 23, 1981, without the sixth. Reckoned apart from the program: det F is
    the sum over pairs of sin^2 of the angle between them over the squared distances, se .12845, .12021."""
    with (PUBLISHED / "lenth_bearings.csv").open() as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    at = np.array([(float(r["x"]), float(r["y"])) for k, r in enumerate(rows, 1) if k != 6])
    source, sd = np.array([7.5, 2.2]), radians(2.5)
    centre = at.mean(axis=0)
    found = point_information(of_starts(source - centre, at - centre, 1 / sd**2))
    away = source - at
    distance, angle = np.hypot(*away.T), np.arctan2(away[:, 1], away[:, 0])
    pairs = sum(
        sin(angle[i] - angle[j]) ** 2 / (sd * distance[i] * sd * distance[j]) ** 2
        for i in range(7)
        for j in range(i + 1, 7)
    )
    assert np.linalg.det(found) == pytest.approx(pairs)
    assert np.linalg.det(found) == pytest.approx(8124.51, rel=1e-4)
    covariance = np.linalg.inv(found)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.12845, 0.12021], abs=2e-5)
    assert covariance[0, 1] / np.sqrt(np.prod(np.diag(covariance))) == pytest.approx(0.6955, abs=1e-4)


def test_the_best_second_bearing_crosses_at_a_right_angle() -> None:
    now = of_starts(POINT, seen_from([0.0], POINT))
    angles = [radians(a) for a in range(1, 180)]
    gain = now.gain(seen_from(angles, POINT))
    assert degrees(angles[int(np.argmax(gain))]) == pytest.approx(90)


def drill(rng: np.random.Generator, starts: Vector, scatter_deg: float = 0.3) -> Observations:
    needed = lines.needed_bearings(FAMILY, starts) + radians(scatter_deg) * rng.normal(size=len(starts))
    return measured_bearings(starts, needed, radians(0.05))


def few(rng: np.random.Generator, n: int = 5) -> Vector:
    """Starts near one another, as a first practice has them."""
    return np.array([0.9, 0.4]) - TABLE.centre_m + rng.uniform(-0.15, 0.15, (n, 2))


def fitted(obs: Observations) -> Convergence:
    return converge(obs, TABLE.centre_m)


def test_the_gain_is_the_determinants_by_brute_force() -> None:
    rng = np.random.default_rng(4)
    starts = few(rng)
    now = design(FAMILY, starts, rng.uniform(1, 3, 5), None)
    tried = places(starts + TABLE.centre_m, TABLE) - TABLE.centre_m
    direct = [np.linalg.det(now.with_attempt(place).information) for place in tried]
    assert now.gain(tried) == pytest.approx(np.array(direct) / np.linalg.det(now.information))


def test_the_curves_gain_is_that_of_three_columns_by_brute_force() -> None:
    """One over the variance of the third coefficient, from the whole matrix."""
    rng = np.random.default_rng(5)
    starts, weight = few(rng), rng.uniform(1, 3, 5)
    now = design(FAMILY, starts, weight, None)
    tried = places(starts + TABLE.centre_m, TABLE) - TABLE.centre_m

    def known(all_starts: Vector, all_weights: Vector) -> float:
        across = lines.cross(np.broadcast_to(lines.unit(FAMILY[0]), all_starts.shape), all_starts)
        columns = np.column_stack([lines.jacobian(FAMILY, all_starts), ((across - now.middle_m) / now.half_m) ** 2])
        return float(1 / np.linalg.inv((columns * all_weights[:, None]).T @ columns)[2, 2])

    before = known(starts, weight)
    direct = [known(np.vstack([starts, t]), np.append(weight, now.weight)) - before for t in tried[::7]]
    assert now.curve_gain(tried[::7]) == pytest.approx(direct, rel=1e-4, abs=1e-6)
    # Also after a planned attempt.
    later = now.with_attempt(tried[3])
    starts, weight = np.vstack([starts, tried[3]]), np.append(weight, now.weight)
    before = known(starts, weight)
    direct = [known(np.vstack([starts, t]), np.append(weight, now.weight)) - before for t in tried[::7]]
    assert later.curve_gain(tried[::7]) == pytest.approx(direct, rel=1e-4, abs=1e-6)


def test_the_chosen_start_is_the_best_of_all_that_can_be_shot_from() -> None:
    rng = np.random.default_rng(6)
    obs = drill(rng, few(rng))
    found = fitted(obs)
    chosen = plan(obs, found, TABLE, KICK).first_m
    assert chosen is not None
    tried = places(obs.start_m + TABLE.centre_m, TABLE)
    fine = shootable(tried, KICK, TABLE)
    assert 0 < fine.sum() < len(tried)
    bend = lines.jacobian(found.family, tried - TABLE.centre_m)
    worth = np.array([row @ found.family_covariance @ row for row in bend])
    assert chosen == pytest.approx(tried[fine][int(np.argmax(worth[fine]))])


def test_places_are_on_quarter_sights_and_clear_of_rails() -> None:
    tried = places(np.array([[0.5, 0.3], [1.9, 0.4]]), TABLE)
    sights = tried / TABLE.diamond_m
    assert sights * 4 == pytest.approx(np.round(sights * 4))
    clear = TABLE.track_offset_m + CLEAR_OF_RAIL_M - 1e-9
    assert np.all((tried >= clear) & (tried <= np.array([TABLE.length_m, TABLE.width_m]) - clear))


def test_no_place_touches_the_target_ball_or_has_an_impossible_path() -> None:
    mid = replace(KICK, target_ball=(1.5875, 0.635), target_pocket="foot-right")
    tried = places(np.array([[0.4, 0.3], [2.2, 0.9]]), TABLE)
    fine = shootable(tried, mid, TABLE)
    apart = np.hypot(*(tried - np.array([1.5875, 0.635])).T)
    assert np.all(apart[fine] > 2 * TABLE.ball_radius_m)
    found = margins(mid, TABLE, tried)
    assert found is not None
    assert np.all(found.possible[fine])
    assert not shootable(np.array([[1.5875, 0.635 + 0.06]]), mid, TABLE).any()
    assert shootable(tried, None, TABLE).all()


def test_a_place_is_asked_but_once_whether_it_can_be_shot_from() -> None:
    asked: list[float] = []

    def beyond_half(place_m: Vector) -> NDArray[np.bool_]:
        asked.extend(place_m[:, 0].tolist())
        return place_m[:, 0] < 50

    grid, known = np.stack([np.arange(100.0), np.zeros(100)], axis=1), dict[int, bool]()
    for worth, x in ((np.arange(100.0), 49), (-np.arange(100.0), 0), (np.arange(100.0), 49)):
        chosen = best(grid, worth, beyond_half, known)
        assert chosen is not None
        assert chosen[0] == x
    assert len(asked) == len(set(asked)) < 100


def test_where_nothing_can_be_shot_from_that_is_said() -> None:
    assert best(np.zeros((3, 2)), np.arange(3.0), lambda p: np.zeros(len(p), dtype=bool), {}) is None
    rng = np.random.default_rng(7)
    obs = drill(rng, few(rng))
    # A target behind the rail's end: no path over the foot rail first.
    odd = replace(KICK, rails=("head", "foot", "head", "foot"), target_ball=None, target_pocket="side-left")
    told = plan(obs, fitted(obs), TABLE, odd)
    assert told.shots == () or all(shootable(s.start_m[None], odd, TABLE)[0] for s in told.shots)


def test_one_in_three_checks_the_curve_and_all_can_be_shot() -> None:
    rng = np.random.default_rng(8)
    obs = drill(rng, few(rng, 5))
    told = plan(obs, fitted(obs), TABLE, KICK, count=9)
    assert [s.purpose for s in told.shots] == ["curve", "point", "point"] * 3
    assert shootable(np.array([s.start_m for s in told.shots]), KICK, TABLE).all()
    halves = [s.semi_major_m for s in told.shots]
    assert all(isfinite(h) for h in halves)
    assert halves == sorted(halves, reverse=True)


def test_how_many_more_until_the_ellipse_is_small_enough() -> None:
    rng = np.random.default_rng(9)
    obs = drill(rng, few(rng, 6))
    found = fitted(obs)
    assert found.ellipse is not None
    wanted = found.ellipse.semi_major_m / 8
    told = plan(obs, found, TABLE, KICK, wanted_m=wanted)
    assert told.attempts is not None
    assert told.attempts >= 2
    assert told.attempts_as_before is None or told.attempts < told.attempts_as_before
    full = plan(obs, found, TABLE, KICK, count=told.attempts)
    assert full.shots[-1].semi_major_m <= wanted < full.shots[-2].semi_major_m
    assert plan(obs, found, TABLE, KICK, wanted_m=2 * found.ellipse.semi_major_m).attempts == 0
    never = plan(obs, found, TABLE, KICK, wanted_m=0.001)
    assert never.attempts is None
    assert str(MOST_ATTEMPTS) in never.reason
    with pytest.raises(InputError, match="no use"):
        plan(obs, found, TABLE, KICK, wanted_m=99)


def test_following_it_shrinks_the_ellipse_faster_than_any_starts_and_as_foretold() -> None:
    """Twenty simulated practices of five attempts, six more by the plan or from random places."""
    planned, scattered, foretold = [], [], []
    for k in range(20):
        rng = np.random.default_rng([10, k])
        obs = drill(rng, few(rng, 5))
        found = fitted(obs)
        if found.ellipse is None:
            continue
        told = plan(obs, found, TABLE, KICK, count=6)
        tried = places(obs.start_m + TABLE.centre_m, TABLE)
        tried = tried[shootable(tried, KICK, TABLE)]
        by_chance = tried[rng.choice(len(tried), 6)]
        for more, into in ((np.array([s.start_m for s in told.shots]), planned), (by_chance, scattered)):
            after = fitted(drill(rng, np.vstack([obs.start_m, more - TABLE.centre_m])))
            into.append(after.ellipse.semi_major_m if after.ellipse is not None else nan)
        foretold.append(told.shots[-1].semi_major_m)
    assert len(planned) >= 15
    assert np.nanmedian(planned) < 0.8 * np.nanmedian(scattered)
    assert np.nanmedian(np.array(planned) / np.array(foretold)) == pytest.approx(1.0, abs=0.5)


def test_without_a_fit_it_says_where_to_begin() -> None:
    one_line = drill(np.random.default_rng(1), np.array([[-0.3, -0.2], [-0.2, -0.1]]))
    told = plan(one_line, fitted(one_line), TABLE, KICK, wanted_m=0.05)
    assert len(told.shots) == 3
    assert told.attempts is None
    assert "shoot these first" in tell_plan(told, KICK, TABLE)[-1]
    empty = measured_bearings(np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    nothing = plan(empty, fitted(empty), TABLE, KICK)
    assert nothing.shots == ()
    assert nothing.first_m is None


def test_one_place_again_and_again_is_told_once() -> None:
    two, one = NextShot(np.array([1.905, 0.3175]), "point", 0.1), NextShot(np.array([0.635, 0.79375]), "curve", 0.1)
    assert tell_plan(Plan((two, two, one)), KICK, TABLE) == [
        "Shoot next twice from 2 sights along and 1 across from the foot-right corner, to learn where the point is.",
        "Then from 6 sights along and 2.5 across, to check whether one point will do.",
    ]


@pytest.fixture
def filmed(engine: Engine) -> None:
    store_reading(engine, reading(), clip())


@pytest.mark.usefixtures("filmed")
def test_it_is_told_by_command_page_and_interface(client: Client) -> None:
    said = run("fit", "--until", "1cm").stdout
    assert "Shoot next" in said
    assert "For an ellipse of 1 cm either way it takes about" in " ".join(said.split())
    assert "to check whether one point will do" in said
    answer = client.get("/api/shots/1/next", params={"until_cm": 1, "count": 4}).json()
    assert len(answer["next"]) == 4
    assert answer["attempts"] > 0
    assert answer["words"][0].startswith("Shoot next")
    assert client.get("/api/shots/1/next").json()["words"][0] in client.get("/shots/1").text
    assert client.get("/api/shots/9/next").status_code == 404
    assert client.get("/api/shots/1/next", params={"until_cm": -1}).status_code == 422


@pytest.mark.usefixtures("filmed")
def test_what_is_no_length_is_refused() -> None:
    refused(run("fit", "--until", "soon"), "give a length such as 5cm")
    refused(run("fit", "--until", "5cm", "--split", "day"), "leave out --split")
    refused(run("fit", "--until", "99m"), "is no use")
