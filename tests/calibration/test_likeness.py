"""A picture looks most like a table under its true camera; less so under one that is off, or took the wrong lines."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.likeness import table_likeness
from calibration.pocket_start import start_from_pockets
from calibration.strips import linear_light
from calibration.table import POCKETS, RAILS, STANDARD_TABLES
from tests.calibration.cut_views import cut_view, in_frame_errors_m
from tests.known_stills import STILLS, known_still
from tests.rendering import Look, overhead_camera, render_table


@pytest.mark.parametrize("name", STILLS)
def test_the_true_camera_shows_four_cushions_and_six_pockets(name: str) -> None:
    still = known_still(name)
    seen = table_likeness(linear_light(still.picture), still.camera, still.table)
    assert set(seen.rails) == set(RAILS)
    assert seen.cushions > 0.95
    assert seen.shaded
    assert seen.pockets == dict.fromkeys(POCKETS, True)


@pytest.mark.parametrize("name", [name for name in STILLS if name.startswith(("overhead", "off_centre"))])
def test_a_nose_sought_where_its_cushion_shows_no_dark_line_leaves_doubt(name: str) -> None:
    """A bed looks like a cushion, too: what parts them is the dark line under the nose."""
    still = known_still(name)
    light = linear_light(still.picture)
    assert not table_likeness(light, still.camera, still.table).doubtful
    shorter = replace(still.table, length_m=still.table.length_m - 0.06)
    seen = table_likeness(light, still.camera, shorter)
    assert seen.rails["foot"].cushion > 0.95
    assert seen.doubtful


@pytest.mark.parametrize(("shift_m", "least"), [(0.02, 0.1), (0.05, 0.2)])
def test_a_camera_that_is_off_shows_less_of_a_table(shift_m: float, least: float) -> None:
    still = known_still("oblique_9ft")
    light = linear_light(still.picture)
    right = table_likeness(light, still.camera, still.table).score
    for away in ([1, 0, 0], [0, 1, 0], [0, -1, 0]):
        moved = replace(still.camera, position_m=still.camera.position_m + shift_m * np.array(away))
        assert table_likeness(light, moved, still.table).score < right - least


def test_a_long_rail_taken_for_a_short_one_is_seen_by_the_pockets() -> None:
    still = known_still("overhead_9ft")
    turned = replace(still.table, length_m=still.table.width_m, width_m=still.table.length_m)
    quarter = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    position = quarter @ still.camera.position_m + [0.0, still.table.length_m, 0.0]
    camera = replace(still.camera, rotation=still.camera.rotation @ quarter.T, position_m=position)
    seen = table_likeness(linear_light(still.picture), camera, turned)
    assert sum(seen.pockets.values()) == 4


@pytest.mark.parametrize("name", STILLS)
def test_pockets_alone_give_a_camera_to_start_from(name: str) -> None:
    still = known_still(name)
    first = start_from_pockets(still.picture, linear_light(still.picture), still.table)[0]
    off, _ = in_frame_errors_m(first, still.camera, still.table, either_end=True)
    assert off.mean() < 0.03


def test_four_pockets_are_enough() -> None:
    picture, camera, table = cut_view("9ft", -13.0, 0.0)
    first = start_from_pockets(picture, linear_light(picture), table)[0]
    off, _ = in_frame_errors_m(first, camera, table, either_end=True)
    assert off.mean() < 0.05


def test_a_picture_without_spots_gives_no_camera() -> None:
    flat = np.full((90, 160, 3), 120, np.uint8)
    assert start_from_pockets(flat, linear_light(flat), known_still("overhead_9ft").table) == []


def test_a_dark_rail_behind_a_cushion_that_runs_on_is_no_pocket() -> None:
    """Where a side pocket's hole would be lies the rail of a table without pockets, as dark as a hole."""
    table = STANDARD_TABLES["carom"]
    camera = overhead_camera(table, size=(960, 540), height_m=2.6, aside_m=(0.1, 0.05))
    look = Look(cloth=(84, 150, 190), rail=(30, 26, 24), sight="none", pockets=False, noise_sd=0.5)
    seen = table_likeness(linear_light(render_table(camera, table, look)), camera, table)
    assert seen.pockets == dict.fromkeys(POCKETS, False)
    assert seen.score > 1.9
