"""Registration where not all of the table is seen: cut off by the frame, hidden by a person, given by hand."""

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from calibration.errors import InputError
from calibration.register import register
from tests.calibration.cut_views import cut_view, in_frame_errors_m
from tests.known_stills import camera_error, known_still


def test_one_end_out_of_the_frame_is_told_by_the_side_pockets() -> None:
    picture, true, table = cut_view("9ft", -13.0, 0.0)
    camera = register([picture], rotation_deg=0, table=table, head="left").camera
    assert camera.unseen == ("foot", "foot-left", "foot-right")
    off, sd = in_frame_errors_m(camera, true, table)
    assert np.sqrt(np.mean(off**2)) < 0.006
    assert np.sqrt(np.mean(off**2)) < 2.5 * np.sqrt(np.mean(sd**2))
    turned = register([picture], rotation_deg=0, table=table, head="right").camera
    assert turned.unseen == ("head", "head-right", "head-left")
    restored = Camera.from_json(camera.to_json(), "here")
    assert restored.unseen == camera.unseen
    assert Camera.from_json({k: v for k, v in camera.to_json().items() if k != "unseen"}, "here").unseen == ()


def test_without_pockets_a_missing_end_is_refused() -> None:
    picture, _, table = cut_view("carom", -13.0, 0.0)
    with pytest.raises(InputError, match="cushions"):
        register([picture], rotation_deg=0, table=table, head=None)


def test_a_person_at_one_rail_for_two_thirds_of_the_film_does_not_bend_it() -> None:
    still = known_still("overhead_9ft")
    start, end = still.table.nose_segment("right")
    frames = []
    for k in range(6):
        frame = still.picture.copy()
        if k % 3 < 2:
            along = np.array([0.2, 0.4, 0.4, 0.2])[:, None] + 0.01 * k
            place = start + along * (end - start) + np.array([[0, 0.1, 0], [0, 0.1, 0], [0, -0.4, 0.3], [0, -0.4, 0.3]])
            cv2.fillPoly(frame, [np.rint(still.camera.project(place)).astype(np.int32)], (60, 50, 120))
        frames.append(frame)
    setup = register(frames, rotation_deg=0, table=still.table, head=None)
    error = camera_error(setup.camera, still.camera, still.table)
    assert error.worst_m < 0.002
    assert error.rms_m < 2.5 * error.stated_rms_m


def test_four_corners_by_hand_where_a_long_rail_is_hidden() -> None:
    """The lines between the corners are looked for; what is not there is said, and what is stated stays believable."""
    still = known_still("overhead_9ft")
    picture = still.picture.copy()
    start, end = still.table.nose_segment("left")
    band = np.array([start + [0.3, -0.2, 0], end + [-0.3, -0.2, 0], end + [-0.3, 0.3, 0], start + [0.3, 0.3, 0]])
    cv2.fillPoly(picture, [np.rint(still.camera.project(band)).astype(np.int32)], (70, 70, 75))
    noses = np.array([still.table.nose_segment(rail)[0] for rail in ("right", "foot", "left", "head")])
    setup = register(
        [picture], rotation_deg=0, table=still.table, head=None, corners_px=still.camera.project(noses)[::-1]
    )
    assert "left" in setup.camera.unseen
    error = camera_error(setup.camera, still.camera, still.table)
    assert error.rms_m < 3 * error.stated_rms_m
