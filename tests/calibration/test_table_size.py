"""The table's size from the balls: the choice, refusals, and the measure itself on made-up pictures."""

import pytest

from calibration.ball_size import BallSize, measure_ball_size
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table
from calibration.table_size import check_table, choose_table
from tests.rendering import RED, WHITE, YELLOW, Ball, Look, oblique_camera, overhead_camera, render_table

NINE, EIGHT, SEVEN = STANDARD_TABLES["9ft"], STANDARD_TABLES["8ft"], STANDARD_TABLES["7ft"]


def seen_on(table: Table, assumed: Table, error: float = 0.0) -> BallSize:
    """What is measured under an assumed table when the balls lie on ``table``."""
    radius = table.ball_radius_m * assumed.length_m / table.length_m * (1 + error)
    return BallSize(radius, 0.01 * radius, 6)


@pytest.mark.parametrize("name", STANDARD_TABLES)
@pytest.mark.parametrize("error", [-0.018, 0.0, 0.018])
def test_every_standard_table_is_told(name: str, error: float) -> None:
    table = STANDARD_TABLES[name]
    assert choose_table(seen_on(table, EIGHT, error), EIGHT, pockets=name != "carom").name == name


def test_no_ball_and_unknown_balls_are_refused() -> None:
    with pytest.raises(InputError, match="--table 9ft"):
        choose_table(None, EIGHT, pockets=True)
    with pytest.raises(InputError, match="nearest standard one"):
        choose_table(seen_on(SEVEN, EIGHT, 0.2), EIGHT, pockets=True)


def test_a_stated_table_is_checked() -> None:
    check_table(None, NINE)
    check_table(seen_on(NINE, NINE, 0.029), NINE)
    with pytest.raises(InputError, match="they fit the 8ft table"):
        check_table(seen_on(EIGHT, NINE), NINE)
    with pytest.raises(InputError, match=r"-7 %.*9ft table"):
        check_table(seen_on(NINE, EIGHT, 0.01), EIGHT)


@pytest.mark.parametrize("view", ["overhead", "oblique"])
def test_balls_are_measured_within_three_per_cent(view: str) -> None:
    if view == "overhead":
        camera = overhead_camera(NINE, size=(1280, 720))
    else:
        camera = oblique_camera(NINE, size=(1080, 1920), focal_px=1500.0)
    balls = [Ball(0.5, 0.3, WHITE), Ball(1.1, 0.8, RED), Ball(1.6, 0.5, YELLOW), Ball(2.1, 0.9, WHITE, "stripe")]
    size = measure_ball_size([render_table(camera, NINE, Look(), balls)], camera, NINE)
    assert size is not None
    assert size.sightings >= 3
    assert size.radius_m == pytest.approx(NINE.ball_radius_m, rel=0.03)
    assert 0 < size.sd_m < 0.03 * size.radius_m


def test_an_empty_table_gives_no_measure() -> None:
    camera = overhead_camera(NINE, size=(640, 360))
    assert measure_ball_size([render_table(camera, NINE)], camera, NINE) is None
