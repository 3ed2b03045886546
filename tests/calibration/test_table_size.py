"""The table's size from the balls: the choice, refusals, and the measure itself on made-up pictures."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import cv2
import numpy as np
import pytest

from calibration import ball_size
from calibration.ball_outline import BallOutline, fit_outline, outline_light
from calibration.ball_size import BallSize, camera_share_sd, measure_ball_size
from calibration.camera import Camera
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table
from calibration.table_size import check_table, choose_table, tell_table
from tests.benchmarks.drawn_stills import coded
from tests.rendering import BLACK, BLUE, RED, WHITE, YELLOW, Ball, Look, oblique_camera, overhead_camera, render_table

NINE, EIGHT, SEVEN = STANDARD_TABLES["9ft"], STANDARD_TABLES["8ft"], STANDARD_TABLES["7ft"]


def seen_on(table: Table, assumed: Table, error: float = 0.0) -> BallSize:
    """What is measured under an assumed table when the balls lie on ``table``."""
    radius = table.ball_radius_m * assumed.length_m / table.length_m * (1 + error)
    return BallSize(radius, 0.01 * radius, 6)


@pytest.mark.parametrize("name", STANDARD_TABLES)
@pytest.mark.parametrize("error", [-0.012, 0.0, 0.012])
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


@pytest.mark.parametrize(("by", "sd"), [(0.145, 0.055), (-0.13, 0.045), (0.12, 0.04)])
def test_a_stated_table_is_believed_rather_than_a_coarse_look_at_one_ball(by: float, sd: float) -> None:
    radius = NINE.ball_radius_m * (1 + by)
    check_table(BallSize(radius, sd * radius, 1), NINE)
    with pytest.raises(InputError, match="balls would be"):
        check_table(BallSize(radius, 0.02 * radius, 1), NINE)


def test_a_single_ball_of_no_table_refuses_none() -> None:
    """A stripe of the cloth's colour, of which only a part was taken for the ball."""
    radius = 0.66 * EIGHT.ball_radius_m
    check_table(BallSize(radius, 0.07 * radius, 1), EIGHT)
    with pytest.raises(InputError, match="balls would be"):
        check_table(BallSize(radius, 0.07 * radius, 2), EIGHT)


def test_between_two_sizes_the_user_is_asked() -> None:
    """A common size is preferred to the home table's when the evidence leans neither way, if clearly enough."""
    home = STANDARD_TABLES["8ft-home"]
    midway = seen_on(EIGHT, EIGHT, float(np.sqrt(home.length_m / EIGHT.length_m)) ** -1 - 1)
    with pytest.raises(InputError, match=r"whether the table is 8ft or 8ft-home.*--table 8ft or --table 8ft-home"):
        choose_table(midway, EIGHT, pockets=True)
    blurred = replace(seen_on(EIGHT, EIGHT, 0.01), sd_m=0.02 * EIGHT.ball_radius_m)
    assert choose_table(blurred, EIGHT, pockets=True) == EIGHT
    with pytest.raises(InputError, match="cannot tell"):
        choose_table(replace(seen_on(home, EIGHT), sd_m=0.03 * EIGHT.ball_radius_m), EIGHT, pockets=True)


def test_where_pockets_were_overlooked_the_balls_tell() -> None:
    carom = STANDARD_TABLES["carom"]
    for error in (-0.015, 0.0, 0.015):
        assert choose_table(seen_on(carom, EIGHT, error), EIGHT, pockets=False) == carom
        with pytest.raises(InputError, match="no pockets were made out, but the balls fit a 9ft table"):
            choose_table(seen_on(NINE, EIGHT, error), EIGHT, pockets=False)
    # Balls that are measured badly tell nothing against what is seen.
    blurred = replace(seen_on(carom, EIGHT), sd_m=0.05 * EIGHT.ball_radius_m)
    assert choose_table(blurred, EIGHT, pockets=False) == carom


def leaning(table: Table, by: dict[str, float], sd: float = 0.016) -> Callable[[Table], BallSize]:
    """What balls on ``table`` measure under others, when these errors are made under those named."""

    def measure(under: Table) -> BallSize:
        size = seen_on(table, under, by.get(under.name, 0.0))
        return replace(size, sd_m=sd * size.radius_m)

    return measure


def test_a_measure_that_leans_to_the_table_assumed_does_not_decide() -> None:
    """Under the 8-ft table that is assumed first, balls on a 9-ft one were measured 4.8 % too large."""
    assert tell_table(leaning(NINE, {"8ft": 0.048}), EIGHT, pockets=True) == NINE
    # Under the first assumption patterns and shadows were taken for balls that no table has.
    for error in (-0.32, -0.22):
        assert tell_table(leaning(SEVEN, {"8ft": error, "8ft-home": 0.12}), EIGHT, pockets=True) == SEVEN
    # What is known badly is no better for not contradicting.
    vague = leaning(NINE, {"8ft": 0.06})
    with pytest.raises(InputError, match="cannot tell"):
        tell_table(
            lambda under: replace(vague(under), sd_m=0.001) if under == NINE else vague(under), EIGHT, pockets=True
        )


def sizes_of(measured: dict[str, tuple[float, float, int]]) -> dict[str, BallSize]:
    """Sizes under some tables, of the radius of each one's balls and its sd in those balls' radii, and how many."""
    radii_m = {name: STANDARD_TABLES[name].ball_radius_m for name in measured}
    return {name: BallSize(ratio * radii_m[name], sd * radii_m[name], n) for name, (ratio, sd, n) in measured.items()}


def test_a_table_on_which_most_balls_are_none_is_less_likely() -> None:
    """Coarsely coded balls on a 7-ft table, 2.8 % small; one of four passed for a ball of a 9-ft one, 4.2 % large."""
    measured = {
        "7ft": (0.972, 0.017, 4),
        "8ft": (1.148, 0.017, 4),
        "8ft-home": (1.1, 0.017, 4),
        "9ft": (1.042, 0.029, 1),
    }
    sizes = sizes_of(measured)
    assert tell_table(lambda under: sizes.get(under.name), EIGHT, pockets=True) == SEVEN


def test_balls_that_fit_no_table_well_are_asked_about() -> None:
    """Measured 4.6 % small on an 8-ft table; on a 9-ft one they would be 3.7 % large, which is little better."""
    measured = {"8ft": (0.954, 0.016, 8), "9ft": (1.037, 0.016, 8)}
    sizes = sizes_of(measured)
    with pytest.raises(InputError, match="cannot tell whether the table is 9ft or 8ft"):
        tell_table(lambda under: sizes.get(under.name), EIGHT, pockets=True)


def test_a_table_on_which_most_balls_are_no_balls_is_not_taken_for_sure() -> None:
    measured = {"8ft": (1.076, 0.014, 4), "8ft-home": (1.029, 0.016, 2), "7ft": (0.997, 0.024, 2)}
    sizes = sizes_of(measured)
    with pytest.raises(InputError, match="cannot tell whether the table is 7ft"):
        tell_table(lambda under: sizes.get(under.name), EIGHT, pockets=True)


def test_a_table_that_half_of_the_balls_fit_is_not_taken_for_sure() -> None:
    sizes = sizes_of({"8ft": (0.977, 0.0195, 2), "8ft-home": (1.005, 0.0145, 4)})
    with pytest.raises(InputError, match="cannot tell whether the table is 8ft-home or 8ft"):
        tell_table(lambda under: sizes.get(under.name), EIGHT, pockets=True)


@pytest.mark.parametrize("balls", [1, 2])
def test_a_table_that_few_balls_fit_alone_is_told(balls: int) -> None:
    assert tell_table(lambda under: replace(seen_on(NINE, under), balls=balls), EIGHT, pockets=True) == NINE


def test_each_table_is_measured_once_and_a_plain_choice_costs_no_more_than_two_looks() -> None:
    for table, looks in ((EIGHT, 1), (NINE, 2)):
        asked: list[str] = []

        def measure(under: Table, table: Table = table, asked: list[str] = asked) -> BallSize:
            asked.append(under.name)
            return seen_on(table, under, 0.01)

        assert tell_table(measure, EIGHT, pockets=True) == table
        assert len(asked) == len(set(asked)) == looks


def test_balls_seen_under_another_assumption_only() -> None:
    measure = leaning(SEVEN, {})
    assert tell_table(lambda under: measure(under) if under == SEVEN else None, EIGHT, pockets=True) == SEVEN
    with pytest.raises(InputError, match="no ball was seen"):
        tell_table(lambda _: None, EIGHT, pockets=True)


VIEWS: dict[str, Camera] = {
    "overhead": overhead_camera(NINE, size=(1280, 720)),
    "oblique": oblique_camera(NINE, size=(1080, 1920), focal_px=1500.0),
    "small, oblique": oblique_camera(NINE, size=(720, 1280), focal_px=1000.0),
}
CLOTHS = {
    "green": Look(),
    "glossy": Look(gloss=1.0),
    "light": Look(cloth=(160, 170, 175)),
    "dark": Look(cloth=(38, 44, 60)),
}
BALLS = [
    Ball(0.5, 0.3, WHITE),
    Ball(1.1, 0.8, RED),
    Ball(1.6, 0.5, YELLOW),
    Ball(2.1, 0.9, BLUE),
    Ball(0.9, 0.4, BLACK),
]


@pytest.mark.parametrize(("view", "cloth"), [*product(("overhead",), CLOTHS), *product(VIEWS, ("green",))])
def test_balls_of_all_colours_are_measured_without_bias(view: str, cloth: str) -> None:
    """Matt ones and glossy ones alike, within a sixth of a pixel where a ball has a radius of eight."""
    picture = render_table(VIEWS[view], NINE, CLOTHS[cloth], BALLS)
    size = measure_ball_size([picture], VIEWS[view], NINE)
    assert size is not None
    assert size.balls >= 3
    assert size.radius_m == pytest.approx(NINE.ball_radius_m, rel=0.019)
    assert 0 < size.sd_m < 0.025 * size.radius_m


def test_balls_look_large_on_a_small_table_seen_from_the_side() -> None:
    """Under the assumed 8-ft table, as in a first look; stretched by the view and with their shadows."""
    camera = oblique_camera(SEVEN, size=(720, 1280), focal_px=1000.0)
    balls = [Ball(0.5, 0.3, WHITE), Ball(1.1, 0.7, RED), Ball(1.4, 0.4, YELLOW)]
    scale = EIGHT.length_m / SEVEN.length_m
    assumed = replace(camera, position_m=camera.position_m * scale)
    size = measure_ball_size([render_table(camera, SEVEN, Look(), balls)], assumed, EIGHT)
    assert size is not None
    assert choose_table(size, EIGHT, pockets=True) == SEVEN


def test_an_unknown_focal_length_makes_balls_away_from_the_middle_unsure() -> None:
    """Seen straight down, a focal length and a height that are both too large by as much show the same cushions."""
    camera = VIEWS["overhead"]
    by = np.zeros(11)
    by[0], by[10] = 0.2, 0.2 * camera.position_m[2]
    unsure = replace(camera, covariance=np.outer(by, by))
    middle, corners = NINE.centre_m[None], np.array([[0.15, 0.15], [2.4, 1.1]])
    assert camera_share_sd(camera, corners, NINE.ball_radius_m, np.full(2, 0.5)) == 0
    assert camera_share_sd(unsure, middle, NINE.ball_radius_m, np.ones(1)) < 0.003
    share = camera_share_sd(unsure, corners, NINE.ball_radius_m, np.full(2, 0.5))
    # Off the axis by t = tan(angle), an outline is longer by sqrt(1 + t^2) in one direction: by half of it in the mean.
    off = camera.project(np.column_stack([corners, [0, 0]])) - camera.centre_px
    squares = (off**2).sum(axis=1) / camera.focal_px**2
    assert share == pytest.approx(np.mean(0.2 * squares / (1 + squares) / 2), rel=0.25)


@pytest.mark.parametrize("colour", [WHITE, BLACK])
def test_one_outline_bright_or_dark(colour: tuple[int, int, int]) -> None:
    """Steepest change alone would read the white ball large and the black one small by some tenths of a pixel."""
    camera = VIEWS["overhead"]
    ball = Ball(0.8, 0.5, colour)
    light = outline_light(render_table(camera, NINE, Look(), [ball]))
    guess = np.array([ball.x_m + 0.002, ball.y_m - 0.001])
    found = fit_outline(light, camera, guess, 1.06 * NINE.ball_radius_m)
    assert found is not None
    assert (found.radius_m - NINE.ball_radius_m) / NINE.ball_radius_m * found.radius_px == pytest.approx(0, abs=0.12)
    assert found.place_m == pytest.approx([ball.x_m, ball.y_m], abs=0.0005)
    assert found.agreement > 0.8


def test_a_picture_of_the_dark_gives_no_warning() -> None:
    camera = overhead_camera(NINE, size=(640, 360))
    lit = render_table(camera, NINE, balls=[Ball(0.5, 0.3, WHITE), Ball(1.6, 0.5, RED)])
    dark = np.where(lit > 200, lit, 0).astype(np.uint8)
    found = measure_ball_size([dark], camera, NINE)
    assert found is None or np.isfinite(found.radius_m)


def test_an_empty_table_gives_no_measure() -> None:
    camera = overhead_camera(NINE, size=(640, 360))
    assert measure_ball_size([render_table(camera, NINE)], camera, NINE) is None


def outlines_of(monkeypatch: pytest.MonkeyPatch, outlines: list[BallOutline]) -> BallSize:
    monkeypatch.setattr(ball_size, "_outlines", lambda *_: outlines)
    size = measure_ball_size([], VIEWS["overhead"], EIGHT)
    assert size is not None
    return size


def test_looks_at_one_ball_are_one_witness(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two balls of a coarsely coded film that differ by a tenth, each seen twice: nobody knows which is wrong."""
    one = BallOutline(np.array([0.79, 0.56]), 0.988 * EIGHT.ball_radius_m, 0.0003, 10.2, 0.79, 0.97, 0.25, 0.0012)
    other = BallOutline(np.array([1.24, 0.43]), 0.88 * EIGHT.ball_radius_m, 0.0003, 9.3, 0.70, 0.75, 0.32, 0.0012)
    size = outlines_of(monkeypatch, [one, other, one, other])
    assert size.balls == 2
    assert size.sd_m > 0.025 * size.radius_m
    # More looks at a ball tell no more than one does, but for its noise.
    alone, often = outlines_of(monkeypatch, [one]), outlines_of(monkeypatch, [one] * 6)
    assert (alone.balls, often.balls) == (1, 1)
    assert often.sd_m == pytest.approx(alone.sd_m)


def test_a_ball_that_is_off_counts_less(monkeypatch: pytest.MonkeyPatch) -> None:
    radii = [1.0, 1.003, 0.997, 1.05]  # 1.0125 in the plain mean
    outlines = [
        BallOutline(np.array([0.3 + 0.3 * k, 0.5]), by * EIGHT.ball_radius_m, 0.0002, 12.0, 0.5, 0.95, 0.3, 0.0005)
        for k, by in enumerate(radii)
    ]
    size = outlines_of(monkeypatch, outlines)
    assert size.balls == 4
    assert size.radius_m == pytest.approx(EIGHT.ball_radius_m, rel=0.009)


def test_a_size_that_is_badly_known_does_not_decide() -> None:
    """Coarse pictures of balls five pixels in radius: seven hundredths small, by over two of the stated sds."""
    measured = {"8ft": (0.928, 0.03, 3), "9ft": (1.006, 0.029, 3), "8ft-home": (0.885, 0.03, 3), "7ft": (0.79, 0.03, 3)}
    sizes = sizes_of(measured)
    with pytest.raises(InputError, match="cannot tell whether the table is 9ft or 8ft"):
        tell_table(lambda under: sizes.get(under.name), EIGHT, pockets=True)


def test_what_the_model_leaves_tells_a_coarsely_coded_ball_from_a_blurred_one() -> None:
    """Coarse coding moves edges to where its blocks end, a lens does not; the sd must hold both."""
    camera = VIEWS["small, oblique"]
    fine = render_table(camera, NINE, Look(), BALLS)
    coarse = coded([fine], 36)[0]
    soft = cv2.GaussianBlur(fine, (0, 0), 1.0)

    def sd_share(picture: np.ndarray, ball: Ball) -> tuple[float, float]:
        found = fit_outline(outline_light(picture), camera, np.array([ball.x_m, ball.y_m]), NINE.ball_radius_m)
        assert found is not None
        return found.misfit_sd_m / NINE.ball_radius_m, found.radius_m / NINE.ball_radius_m - 1

    light = [ball for ball in BALLS if ball.colour in (WHITE, RED)]
    told = [[sd_share(picture, ball) for ball in light] for picture in (fine, coarse, soft)]
    (fine_sd, _), (coarse_sd, off), (soft_sd, _) = (np.array(of).T for of in told)
    assert (coarse_sd > 1.5 * fine_sd).all()
    assert (soft_sd < 1.5 * fine_sd).all()
    assert (np.abs(off) < 2.5 * coarse_sd + 0.02).all()


def test_what_a_soft_lens_hides_is_alike_for_all_balls(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nine balls of which each profile leaves the radius open by three hundredths: their mean is no surer."""
    places = [np.array([0.3 + 0.2 * k, 0.5]) for k in range(9)]
    soft, sharp = (
        [BallOutline(at, EIGHT.ball_radius_m, sd * EIGHT.ball_radius_m, 15.5, 1.25, 1.0, 0.25, 0.0002) for at in places]
        for sd in (0.03, 0.003)
    )
    assert outlines_of(monkeypatch, soft).sd_m > 0.03 * EIGHT.ball_radius_m
    assert outlines_of(monkeypatch, sharp).sd_m < 0.015 * EIGHT.ball_radius_m
    # One ball alone has all of it in its own standard deviation: it does not count twice.
    assert outlines_of(monkeypatch, soft[:1]).sd_m < 1.1 * outlines_of(monkeypatch, soft).sd_m


@pytest.mark.parametrize("order", [1, -1])
def test_an_outline_on_which_all_rays_agree_outweighs_two_on_which_some_do_not(
    monkeypatch: pytest.MonkeyPatch, order: int
) -> None:
    """A ball beside two hands that carry one: alike, sharp and clear, but round only on most sides."""
    ball = BallOutline(np.array([0.9, 0.5]), 0.0339, 0.0001, 13.6, 0.41, 0.988, 0.31)
    hands = [
        BallOutline(np.array([1.95, 0.98]), 0.0281, 0.0001, 11.5, 0.49, 0.853, 0.51),
        BallOutline(np.array([1.99, 0.47]), 0.0283, 0.0001, 11.6, 0.41, 0.868, 0.56),
    ]
    size = outlines_of(monkeypatch, [ball, *hands][::order])
    assert size.radius_m == pytest.approx(ball.radius_m)
    assert choose_table(size, EIGHT, pockets=True) == SEVEN


def test_white_pole_of_a_stripe_whose_band_is_of_the_cloths_colour_is_no_small_ball() -> None:
    """All rays agree on its ring, which is five sixths of a ball; numbers confuse some of the others'."""
    look = Look()
    upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
    balls = [
        Ball(1.0, 0.4, look.cloth, "stripe", upright),
        *(Ball(x, y, colour, "disc") for x, y, colour in ((0.5, 0.8, YELLOW), (1.6, 0.9, BLUE), (1.9, 1.0, BLACK))),
    ]
    still = render_table(overhead_camera(NINE), NINE, look, balls)
    size = measure_ball_size(coded([still], 23), overhead_camera(NINE), NINE)
    assert size is not None
    assert size.radius_m == pytest.approx(NINE.ball_radius_m, rel=0.03)
