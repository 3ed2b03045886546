"""Registration on stills with true cameras, altered stills, made-up pictures of other tables, and refusals."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Setup
from calibration.camera_start import start_cameras, start_farther_out
from calibration.cloth import find_cloth, outline_from_corners
from calibration.errors import InputError
from calibration.likeness import table_likeness
from calibration.register import register
from calibration.strips import linear_light
from calibration.table import STANDARD_TABLES
from calibration.table_search import COARSE_REACHES_M, refined
from tests.known_stills import STILLS, VARIANTS, KnownStill, at_720p, camera_error, known_still
from tests.rendering import RED, WHITE, YELLOW, Ball, Look, looking_at, oblique_camera, overhead_camera, render_table

NINE = STANDARD_TABLES["9ft"]


def check(still: KnownStill, found: Camera) -> None:
    """Straight down 1 mm, oblique 2 mm; the bearing of a perfect track; the stated sds believable."""
    error = camera_error(found, still.camera, still.table)
    straight_down = still.camera.elevation_deg(still.table) > 75
    assert error.mean_m < (0.001 if straight_down else 0.002)
    assert error.worst_m < (0.002 if straight_down else 0.004)
    assert abs(error.turn_rad) < np.radians(0.01)
    assert error.rms_m < 2.5 * error.stated_rms_m
    assert abs(error.turn_rad) < 3 * error.stated_turn_rad + np.radians(0.002)
    assert error.stated_rms_m < 0.0015


@cache
def registered(name: str) -> Setup:
    still = known_still(name)
    return register([still.picture], rotation_deg=still.rotation_deg, table=None, head=None)


@pytest.mark.parametrize("name", STILLS)
def test_a_still_tells_table_camera_and_head(name: str) -> None:
    still, setup = known_still(name), registered(name)
    assert setup.table.name == still.table.name
    assert setup.head == still.head
    assert setup.automatic
    check(still, setup.camera)


@pytest.mark.parametrize("variant", ["mirrored", "turned, pixels", "720p"])
def test_altered_stills(variant: str) -> None:
    still = VARIANTS[variant](known_still("off_centre_8ft"))
    setup = register([still.picture], rotation_deg=still.rotation_deg, table=None, head=None)
    assert (setup.table.name, setup.head) == (still.table.name, still.head)
    check(still, setup.camera)


LOOKS = {
    "red cloth, dark rails, dots, 7 ft": ("7ft", Look(cloth=(150, 40, 45), rail=(45, 40, 40), sight="dot")),
    "light cloth, light rails, carom": (
        "carom",
        Look(cloth=(150, 175, 200), rail=(215, 200, 170), pockets=False, lamp_m=(0.6, -0.4, 1.5)),
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("look", LOOKS)
def test_other_tables_cloths_and_rails(look: str) -> None:
    name, appearance = LOOKS[look]
    table = STANDARD_TABLES[name]
    camera = overhead_camera(table, size=(1152, 648))
    picture = render_table(camera, table, appearance, [Ball(0.6, 0.3, WHITE), Ball(1.2, 0.7, RED), Ball(1.7, 0.4)])
    setup = register([picture], rotation_deg=0, table=None, head=None)
    assert setup.table.name == name
    check(KnownStill(picture, camera, table, 0, "left"), setup.camera)


def test_the_floor_has_the_colour_of_the_cloth_and_the_view_is_oblique() -> None:
    camera = oblique_camera(NINE, size=(720, 1280), focal_px=1150.0, behind_m=0.6)
    look = Look(cloth=(120, 120, 120), floor=(135, 132, 128), rail=(120, 70, 50))
    picture = render_table(camera, NINE, look, [Ball(0.5, 0.4, WHITE), Ball(1.4, 0.9, YELLOW)])
    setup = register([picture], rotation_deg=0, table=NINE, head=None)
    assert setup.head == "bottom"
    assert setup.camera.determined == {"focal": True, "distortion": True, "centre": False, "height": True}
    check(KnownStill(picture, camera, NINE, 0, "bottom"), setup.camera)


def test_a_person_over_a_rail_for_some_of_the_film() -> None:
    """Each frame has another part of the table hidden; the median has none."""
    still = known_still("overhead_9ft")
    frames = []
    for k in range(3):
        frame = still.picture.copy()
        cv2.circle(frame, (300 + 600 * k, 1000), 160, (60, 40, 30 + 40 * k), -1)
        frames.append(frame)
    setup = register(frames, rotation_deg=0, table=None, head=None)
    check(still, setup.camera)


def test_straight_down_the_focal_length_is_a_prior_and_said_to_be() -> None:
    setup = registered("overhead_9ft")
    assert not setup.camera.determined["focal"]
    assert not setup.camera.determined["height"]
    assert setup.camera.determined["distortion"]
    # Height and focal length trade off: each alone is poorly known, their ratio is not.
    sd = np.sqrt(np.diag(setup.camera.covariance))
    assert sd[0] > 0.05
    correlation = setup.camera.covariance[0, 10] / (sd[0] * sd[10])
    assert correlation > 0.98


def test_the_head_on_the_other_side_turns_the_frame_by_half() -> None:
    still = known_still("overhead_9ft")
    left = registered("overhead_9ft").camera
    right = register([still.picture], rotation_deg=0, table=None, head="right").camera
    place = np.array([[400.0, 300.0]])
    there = right.to_plane(place, NINE.ball_radius_m)
    assert there == pytest.approx(2 * NINE.centre_m - left.to_plane(place, NINE.ball_radius_m), abs=1e-4)


def test_a_size_that_the_balls_contradict_is_refused() -> None:
    still = at_720p(known_still("off_centre_8ft"))
    with pytest.raises(InputError, match=r"7ft table.*8ft table"):
        register([still.picture], rotation_deg=0, table=STANDARD_TABLES["7ft"], head=None)
    with pytest.raises(InputError, match=r"carom table.*8ft table"):
        register([still.picture], rotation_deg=0, table=STANDARD_TABLES["carom"], head=None)


def test_clicked_corners_of_five_pixels_error_are_enough() -> None:
    still = known_still("oblique_9ft")
    noses = [still.table.nose_segment(rail)[0] for rail in ("right", "foot", "left", "head")]
    clicks = still.camera.project(np.array(noses)) + np.random.default_rng(6).uniform(-5, 5, (4, 2))
    setup = register([still.picture], rotation_deg=90, table=NINE, head=None, corners_px=clicks[::-1])
    check(still, setup.camera)
    assert not setup.automatic
    with pytest.raises(InputError, match="order round the table"):
        register([still.picture], rotation_deg=90, table=NINE, head=None, corners_px=clicks[[0, 2, 1, 3]])


def test_corners_given_where_no_table_is() -> None:
    rug = pictures_without_a_table()["rug"]
    corners = np.array([[140, 90], [520, 90], [520, 280], [140, 280]])
    with pytest.raises(InputError, match="between the corners given"):
        register([rug], rotation_deg=0, table=NINE, head=None, corners_px=corners)


def pictures_without_a_table() -> dict[str, np.ndarray]:
    random = np.random.default_rng(8)
    noise = random.integers(0, 256, (360, 640, 3), dtype=np.uint8)
    slope = np.broadcast_to(np.linspace(20, 220, 640)[None, :, None], (360, 640, 3)).astype(np.uint8)
    rug = np.full((360, 640, 3), (70, 90, 110), np.uint8)
    cv2.rectangle(rug, (140, 90), (520, 280), (40, 130, 60), -1)
    rug = np.clip(rug + random.normal(0, 4, rug.shape), 0, 255).astype(np.uint8)
    return {"noise": noise, "slope": slope, "rug": rug, "black": np.zeros((360, 640, 3), np.uint8)}


@pytest.mark.parametrize("what", pictures_without_a_table())
def test_no_table(what: str) -> None:
    with pytest.raises(InputError, match="no table was found"):
        register([pictures_without_a_table()[what]], rotation_deg=0, table=None, head=None)


@pytest.mark.parametrize("size", [(40, 22), (16, 10)])
def test_a_picture_so_small_that_nothing_is_left_of_its_parts(size: tuple[int, int]) -> None:
    """No outline, and no warning of numpy's to the user."""
    table = STANDARD_TABLES["9ft"]
    still = render_table(overhead_camera(table, size=(640, 360)), table)
    assert not find_cloth(cv2.resize(still, size, interpolation=cv2.INTER_AREA))


def test_no_frames_and_unknown_side() -> None:
    with pytest.raises(InputError, match="no frame"):
        register([], rotation_deg=0, table=None, head=None)
    with pytest.raises(InputError, match="not a side"):
        register([np.zeros((36, 64, 3), np.uint8)], rotation_deg=0, table=None, head="north")


def test_no_ball_at_rest_asks_for_the_size() -> None:
    camera = overhead_camera(NINE, size=(960, 540))
    picture = render_table(camera, NINE, replace(Look(), spot=False))
    with pytest.raises(InputError, match="no ball was seen"):
        register([picture], rotation_deg=0, table=None, head=None)
    assert register([picture], rotation_deg=0, table=NINE, head=None).table == NINE


@pytest.mark.slow
def test_too_low_a_camera_is_refused_with_its_angle() -> None:
    camera = looking_at((-1.6, 0.7, 0.75), (1.0, 0.635, 0.0), size=(640, 360), focal_px=467.0, up=(0, 0, 1.0))
    picture = render_table(camera, NINE, Look())
    with pytest.raises(InputError, match=r"degrees above the cloth|no table was found"):
        register([picture], rotation_deg=0, table=NINE, head=None)


CAROM = STANDARD_TABLES["carom"]


def test_a_far_cushion_that_the_cloth_was_found_without() -> None:
    """Dark cloth in a small picture: the region of the cloth ends at the dark line under the far nose."""
    camera = looking_at(
        (-1.01, 0.85, 2.73), (1.21, 0.71, 0.0), focal_px=684.0, up=(1.0, 0.0, 0.0), roll_deg=1.5, k1=-0.074, k2=0.01
    )
    look = Look(cloth=(24, 76, 46), pockets=False, lamp_m=(0.03, -0.05, 1.38), light=1.12, noise_sd=2.1)
    setup = register([render_table(camera, CAROM, look, seed=3)], rotation_deg=0, table=CAROM, head=None)
    assert camera_error(setup.camera, camera, CAROM).worst_m < 0.004


def test_a_far_nose_is_looked_for_farther_out_when_the_foot_of_the_bed_was_taken_for_it() -> None:
    """Three rails fit all the same, under a camera that stands lower."""
    camera = looking_at(
        (-0.75, 0.48, 2.52), (1.206, 0.71, 0.0), focal_px=684.0, up=(1.0, 0.0, 0.0), roll_deg=2.0, k1=-0.064, k2=0.01
    )
    look = Look(cloth=(84, 150, 190), pockets=False, lamp_m=(0.64, 0.15, 1.06), light=0.84, ambient=0.46, noise_sd=1.1)
    light = linear_light(render_table(camera, CAROM, look, seed=3))
    corners = np.array([CAROM.nose_segment(rail)[0] for rail in ("right", "foot", "left", "head")])
    corners[[1, 2], 0] -= 0.115
    wrong = start_cameras(outline_from_corners(camera.project(corners)), CAROM, (camera.width, camera.height), "nose")
    assert camera_error(wrong[0].camera, camera, CAROM).worst_m > 0.05
    fits = [refined(light, fit, CAROM, COARSE_REACHES_M[1:]) for fit in start_farther_out(wrong[0].camera, CAROM)]
    best = max((fit for fit in fits if fit), key=lambda fit: table_likeness(light, fit.camera, CAROM).score)
    assert camera_error(best.camera, camera, CAROM).worst_m < 0.004
