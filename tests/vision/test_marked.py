"""A camera by markers in a film: sheets that lie there at its beginning, and the sentences when they do not."""

from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from calibration.errors import InputError
from tests.calibration.marked_stills import NINE, VIEWS, layout, still
from tests.known_stills import camera_error
from vision.marked import setup_by_markers

FPS = 5
TRUE = VIEWS["from above"][0]


def write_film(path: Path, with_sheets: int, without: int) -> Path:
    """So many frames with the sheets lying there, then so many without."""
    with av.open(str(path), "w") as film:
        stream = film.add_stream("libx264", rate=FPS)
        stream.width, stream.height, stream.pix_fmt = TRUE.width, TRUE.height, "yuv420p"
        stream.options = {"crf": "16", "preset": "ultrafast", "threads": "1"}
        for k in range(with_sheets + without):
            picture = still("from above", sheets=k < with_sheets)
            film.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        film.mux(stream.encode())
    return path


def test_sheets_that_are_taken_away_after_some_seconds(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", 10, 30)
    found = setup_by_markers(film, layout())
    error = camera_error(found.setup.camera, TRUE, NINE)
    assert error.mean_m < 0.0015
    assert error.rms_m < 2.5 * error.stated_rms_m
    assert found.setup.head == "left"
    assert any("markers 1, 2, 3, 4, 5 and 6" in note for note in found.notes)
    assert found.still.shape == (TRUE.height, TRUE.width, 3)
    # The squares are drawn where the file has them: red on the edges of each.
    edges = found.setup.camera.project(
        np.concatenate([(m.corners_m()[:2]).mean(axis=0)[None] for m in layout().markers])
    )
    for u, v in np.round(edges).astype(int):
        around = found.still[v - 2 : v + 3, u - 2 : u + 3].astype(int)
        assert (around[:, :, 2] - around[:, :, 1]).max() > 100


def test_a_film_without_markers_and_a_file_that_is_no_film(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", 0, 5)
    with pytest.raises(InputError, match=r"film\.mp4: none of the 6 markers listed could be made out"):
        setup_by_markers(film, layout())
    (tmp_path / "none.mp4").write_bytes(b"no film")
    with pytest.raises(InputError, match=r"none\.mp4"):
        setup_by_markers(tmp_path / "none.mp4", replace(layout(), place_sd_m=0.003))
