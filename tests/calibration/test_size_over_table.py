"""Sizes of balls over the table: known shares and slopes are found, and only what the evidence bears is told."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.size_over_table import SizedBall, size_over_table, size_sd_m
from calibration.table import STANDARD_TABLES

TABLE = STANDARD_TABLES["9ft"]
PLACES = [(0.1, 0.1), (0.1, 1.1), (2.4, 0.1), (2.4, 1.1), (1.27, 0.6)]


def sized(at: tuple[float, float], share: float, ball: str = "white", *, slant: float = 0.3) -> SizedBall:
    return SizedBall(ball, np.array(at), share * TABLE.ball_radius_m, 0.00005, 18.0, slant)


def share_at(x: float, y: float, along: float, across: float) -> float:
    return 1 + along * (x / TABLE.length_m - 0.5) + across * (y / TABLE.width_m - 0.5)


@pytest.mark.parametrize(("along", "across"), [(0.0, 0.0), (0.03, 0.0), (-0.02, 0.025)])
def test_slopes_are_found(along: float, across: float) -> None:
    found = size_over_table([sized(at, share_at(*at, along, across)) for at in PLACES], TABLE)
    assert found is not None
    assert found.along == pytest.approx(along, abs=1e-3)
    assert found.across == pytest.approx(across, abs=1e-3)
    assert found.tells_along
    assert found.tells_across
    assert found.slopes_along == (along != 0)
    assert found.slopes_across == (across != 0)
    assert found.agrees == (along == across == 0)


def test_the_same_ball_tells_a_slope_better_than_different_ones() -> None:
    same = size_over_table([sized(at, 1.0) for at in PLACES], TABLE)
    different = size_over_table([sized(at, 1.0, name) for at, name in zip(PLACES, "abcde", strict=True)], TABLE)
    assert same is not None
    assert different is not None
    assert same.along_sd < 0.6 * different.along_sd


def test_what_one_ball_s_light_does_is_no_slope() -> None:
    """A ball that looks 1 % larger wherever it lies, and another at the other end."""
    sizes = [sized((0.1, 0.1), 1.01, "a"), sized((0.4, 1.1), 1.01, "a"), sized((2.4, 0.1), 1.0, "b")]
    found = size_over_table(sizes, TABLE)
    assert found is not None
    assert not found.slopes_along


def test_balls_in_one_place_tell_no_slope() -> None:
    found = size_over_table([sized((1.0, 0.5), 0.99), sized((1.05, 0.55), 0.99)], TABLE)
    assert found is not None
    assert not found.tells_along
    assert not found.tells_across
    assert found.share == pytest.approx(0.99, abs=0.001)
    assert found.agrees


def test_a_ball_half_hidden_does_not_make_a_slope() -> None:
    places = [*PLACES, (2.2, 0.3), (0.3, 0.9), (1.9, 0.9)]
    sizes = [sized(at, 1.0) for at in places]
    sizes[2] = replace(sizes[2], radius_m=0.9 * TABLE.ball_radius_m)
    found = size_over_table(sizes, TABLE)
    assert found is not None
    assert not found.slopes_along
    assert not found.slopes_across


@pytest.mark.parametrize(("share", "agrees"), [(0.985, True), (1.02, True), (0.92, False), (1.087, False)])
def test_share_against_what_light_and_film_allow(share: float, agrees: bool) -> None:
    """Tables next in size are 4.5 % and more apart; films err by one or two per cent."""
    found = size_over_table([sized(at, share) for at in PLACES], TABLE)
    assert found is not None
    assert found.share == pytest.approx(share, abs=1e-3)
    assert found.agrees == agrees


def test_stated_sds_are_those_of_made_up_sizes() -> None:
    random = np.random.default_rng(4)
    off = []
    for _ in range(200):
        sizes = []
        for ball in "ab":
            own = random.normal(0, np.hypot(0.1 / 18, 0.008))
            for at in PLACES:
                share = 1 + own + random.normal(0, np.hypot(0.03 / 18, 0.002)) + random.normal(0, 0.00005 / 0.028575)
                sizes.append(sized(at, share, ball, slant=0.0))
        found = size_over_table(sizes, TABLE)
        assert found is not None
        off.append((found.along / found.along_sd, found.across / found.across_sd))
    # The sd is never made smaller by sizes that happen to agree, so the ratios spread a little less than 1.
    assert 0.75 < float(np.sqrt(np.mean(np.square(off)))) < 1.1


def test_seen_from_an_angle_a_size_is_known_worse() -> None:
    assert size_sd_m(sized((1.0, 0.5), 1.0, slant=0.9)) > 1.3 * size_sd_m(sized((1.0, 0.5), 1.0, slant=0.2))


def test_no_ball() -> None:
    assert size_over_table([], TABLE) is None
