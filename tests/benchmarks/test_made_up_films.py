"""The films drawn at random are drills that a player would try, and their truth is what the shot asks for."""

from dataclasses import replace
from math import isfinite, radians

import numpy as np
import pytest

from tests.benchmarks.drawn_films import TRIES, MadeUp, draw_film, draw_like_cloth
from tests.benchmarks.made_up_films import known
from tests.rendering import Physics, TryTruth, simulate


def truths_of(film: MadeUp) -> list[TryTruth]:
    truths = []
    for one in film.tries:
        bearing = radians(one.bearing_deg)
        motion = simulate(one.starts_m, "cue", bearing, one.speed_mps, film.table, Physics(), follow=one.follow)
        truths.append(TryTruth(0.0, motion.starts_m["cue"], bearing, one.speed_mps, motion))
    return truths


# Numbers of films drawn of one rail each: the lines of several take seconds to find. The first two are banks.
DRAWN = ((3, 2), (4, 0), (4, 5))


@pytest.mark.parametrize("numbers", DRAWN)
def test_most_tries_go_over_the_rails_and_pass_near_the_target(numbers: tuple[int, int]) -> None:
    film = draw_film(np.random.default_rng(numbers))
    found = [known(true, film) for true in truths_of(film)]
    assert len(found) == TRIES
    near = [f for f in found if isfinite(f.miss_m) and abs(f.miss_m) < 0.4]
    assert near, "a drill none of whose tries comes near its target would tell nothing"
    for f in near:
        assert [rail for rail, _, _ in f.rails_m] == list(film.shot.rails)


def test_what_is_made_dropped_by_the_rails_named() -> None:
    film = draw_film(np.random.default_rng(DRAWN[1]))
    truths = truths_of(film)
    made = [true for true in truths if known(true, film).made]
    assert made
    for true in made:
        assert any(p.pocket == film.shot.target_pocket for p in true.motion.pockets)
    # The same balls in the same pocket, by a rail that they never met.
    elsewhere = replace(film, shot=replace(film.shot, rails=("head",)))
    assert not any(known(true, elsewhere).made for true in truths)


def test_a_film_is_drawn_anew_from_its_numbers() -> None:
    first, again = (draw_film(np.random.default_rng(DRAWN[0])) for _ in range(2))
    assert first.told == again.told
    assert [t.starts_m for t in first.tries] == [t.starts_m for t in again.tries]
    assert draw_film(np.random.default_rng(DRAWN[1])).told != first.told


def test_a_ball_of_the_cloths_colour_is_the_one_of_the_drill() -> None:
    film = draw_like_cloth(np.random.default_rng(1))
    cloth = np.array(film.look.cloth, float)
    alike = [name for name, (colour, _) in film.dress.items() if np.ptp(np.array(colour) / cloth) < 0.02]
    assert len(alike) == 1
    if film.shot.target_ball is not None:
        starts = {name: np.array(at) for name, at in film.tries[0].starts_m.items() if name != "cue"}
        assert min(starts, key=lambda name: float(np.hypot(*(starts[name] - film.shot.target_ball)))) == alike[0]
