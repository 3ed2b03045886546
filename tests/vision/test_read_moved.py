"""Films whose camera was moved, before them or midway, read as a whole."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Setup
from calibration.errors import InputError
from tests.vision.one_kick import CAMERA, KICK, TABLE, Film, rewritten, same_but_for_the_film, turn_degrees
from vision.read import read_clip


def test_saved_camera_that_was_knocked_since_is_refused(kick_film: Film) -> None:
    knocked = replace(CAMERA, centre_px=(CAMERA.centre_px[0] + 6.0, CAMERA.centre_px[1]))
    with pytest.raises(InputError, match=r"saved camera does not fit this film.*register it anew"):
        read_clip(kick_film.path, KICK, setup=Setup(TABLE, "left", knocked))


def knocked(film: Film, goal: Path, at_s: float, shift: tuple[float, float] = (4.0, -2.0)) -> Path:
    """The film with its pictures shifted, and turned by 0.2 degrees, from a time on."""
    left = iter(film.truth.pts_s)
    matrix = cv2.getRotationMatrix2D(((CAMERA.width - 1) / 2, (CAMERA.height - 1) / 2), 0.2, 1.0)
    matrix[:, 2] += shift

    def turn(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        if next(left) < at_s:
            return picture
        size = (CAMERA.width, CAMERA.height)
        moved = cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        return moved.astype(np.uint8)

    return rewritten(film.path, goal, turn)


@pytest.mark.slow
@pytest.mark.parametrize(("after_strike_s", "flags"), [(-0.8, ()), (0.4, ("camera_moved",))])
def test_knocked_camera_is_registered_again(
    kick_film: Film, after_strike_s: float, flags: tuple[str, ...], tmp_path: Path
) -> None:
    at_s = kick_film.attempt.t_s + after_strike_s
    bumped = knocked(kick_film, tmp_path / "knocked.mp4", at_s)
    reading = read_clip(bumped, KICK, setup=Setup(TABLE, "left", CAMERA))
    first_after = kick_film.truth.pts_s[kick_film.truth.pts_s >= at_s][0]
    assert reading.warnings == (f"camera moved at {first_after:.1f} s; registered again",)
    assert len(reading.attempts) == 1
    found = reading.attempts[0]
    assert set(found.flags) == set(kick_film.attempt.flags) | set(flags)
    # Registered from pictures of 640 x 360 pixels, 5 mm each; the shift itself is 20 mm.
    assert found.t_s == pytest.approx(kick_film.attempt.t_s, abs=0.005)
    assert found.start_m == pytest.approx(kick_film.attempt.start_m, abs=0.002)
    assert turn_degrees(found.bearing_rad, kick_film.attempt.bearing_rad) == pytest.approx(0, abs=0.25)
    assert found.miss_m == pytest.approx(kick_film.attempt.miss_m, abs=0.008)
    assert found.outcome == kick_film.attempt.outcome
    assert reading.not_attempts == ()


def test_phone_still_being_put_up_when_the_film_begins(kick_film: Film, tmp_path: Path) -> None:
    """The table is found where the camera stood longest, and a camera saved for that is accepted."""
    left = iter(kick_film.truth.pts_s)

    def turn(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        time_s = next(left)
        away = 40 * max(0.9 - time_s, 0.0)
        matrix = np.array([[1, 0, away * np.cos(9 * time_s)], [0, 1, away]])
        return picture if away == 0 else cv2.warpAffine(picture, matrix, picture.shape[1::-1]).astype(np.uint8)

    late = rewritten(kick_film.path, tmp_path / "late.mp4", turn)
    reading = read_clip(late, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert len(reading.warnings) == 1
    assert reading.warnings[0].startswith("camera moved at 0.")
    assert len(reading.attempts) == 1
    same_but_for_the_film(reading.attempts[0], kick_film.attempt)


def test_part_in_which_no_table_is_found_goes_by_the_shift(
    kick_film: Film, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> Setup:
        raise InputError("no table")

    monkeypatch.setattr("vision.stands.register", refused)
    bumped = knocked(kick_film, tmp_path / "knocked.mp4", kick_film.attempt.t_s - 0.8)
    reading = read_clip(bumped, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert reading.warnings[0].endswith("; followed by the picture's shift")
    assert reading.attempts[0].start_m == pytest.approx(kick_film.attempt.start_m, abs=0.002)
    assert turn_degrees(reading.attempts[0].bearing_rad, kick_film.attempt.bearing_rad) == pytest.approx(0, abs=0.25)
