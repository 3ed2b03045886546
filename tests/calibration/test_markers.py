"""Printed markers: their patterns, the places of their corners, and finding them in pictures."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.markers import CELLS, DICTIONARY, HIGHEST_ID, Marker, find_markers, marker_cells
from tests.calibration.marked_stills import GREY, NINE, PAPER_M, VIEWS, layout, still
from tests.rendering import Stage, overhead_camera
from tests.rendering.picture import with_noise
from tests.rendering.sheets import Sheet, put_sheets


def test_patterns_are_those_of_the_dictionary_each_its_own() -> None:
    cells = [marker_cells(k) for k in range(HIGHEST_ID + 1)]
    assert len({c.tobytes() for c in cells}) == HIGHEST_ID + 1 == len(DICTIONARY.bytesList)
    for pattern in cells:
        assert pattern.shape == (CELLS, CELLS)
        assert not pattern[[0, -1]].any()
        assert not pattern[:, [0, -1]].any()


def test_corners_go_clockwise_from_the_upper_left_and_turn_to_the_left() -> None:
    marker = Marker(1, (1.0, 0.5), 0.0, 0.02, 0.2)
    expected = [[0.9, 0.6, 0.02], [1.1, 0.6, 0.02], [1.1, 0.4, 0.02], [0.9, 0.4, 0.02]]
    assert marker.corners_m() == pytest.approx(np.array(expected))
    quarter = replace(marker, turn_rad=np.pi / 2).corners_m()
    assert quarter == pytest.approx(np.roll(expected, 1, axis=0))
    off = marker.corners_m(np.array([0.01, -0.02]), np.pi / 2, 2.0)
    assert off.mean(axis=0) == pytest.approx([1.01, 0.48, 0.02])
    assert np.linalg.norm(off[0] - off[1]) == pytest.approx(0.4)


def exact_still() -> tuple[np.ndarray, np.ndarray]:
    """A still on which the markers lie exactly where the file says, and the true corners (6, 4, 2) in pixels."""
    camera = overhead_camera(NINE, size=(960, 540))
    stage = put_sheets(
        Stage.build(camera, NINE, GREY, samples=2), [Sheet(m, PAPER_M) for m in layout().markers], samples=4
    )
    picture = with_noise(stage.empty(), 1.5, np.random.default_rng(4))
    return picture, np.array([camera.project(m.corners_m()) for m in layout().markers])


def test_corners_are_found_to_a_fraction_of_a_pixel() -> None:
    """Without any refinement the same corners are several times worse."""
    picture, true = exact_still()
    seen = find_markers([picture])
    assert [s.id for s in seen.markers] == [1, 2, 3, 4, 5, 6]
    off = np.array([s.corners_px for s in seen.markers]) - true
    ours = np.sqrt((off**2).sum(axis=2).mean())
    assert ours < 0.25
    plain, ids, _ = cv2.aruco.ArucoDetector(DICTIONARY).detectMarkers(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
    order = np.argsort(np.ravel(ids))
    raw = np.array(plain).reshape(-1, 4, 2)[order] - true
    assert ours < np.sqrt((raw**2).sum(axis=2).mean()) / 3


def test_a_marker_counts_that_most_frames_do_not_show() -> None:
    picture = still("from above")
    bare = still("from above", sheets=False)
    assert find_markers([bare, bare]).markers == ()
    one, many = find_markers([picture]), find_markers([bare, picture, bare])
    assert [s.id for s in one.markers] == [s.id for s in many.markers] == [1, 2, 3, 4, 5, 6]
    assert one.markers[2].corners_px == pytest.approx(many.markers[2].corners_px)


def test_a_number_at_two_places_tells_nothing() -> None:
    picture = still("from above")
    camera = VIEWS["from above"][0]
    place = np.round(camera.project(np.array([[*layout().markers[0].centre_m, 0.0]]))[0]).astype(int)
    copied = picture.copy()
    part = picture[place[1] - 31 : place[1] + 31, place[0] - 31 : place[0] + 31]
    copied[210:272, 430:492] = part
    assert find_markers([copied]).twice == (1,)
    # The same when it stood elsewhere in another frame.
    elsewhere = picture.copy()
    elsewhere[210:272, 430:492] = part
    elsewhere[place[1] - 31 : place[1] + 31, place[0] - 31 : place[0] + 31] = 120
    assert find_markers([picture, elsewhere]).twice == (1,)
    assert [s.id for s in find_markers([picture, elsewhere]).markers] == [2, 3, 4, 5, 6]
