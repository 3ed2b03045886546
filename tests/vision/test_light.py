"""Light that is switched, or an exposure that hunts: the cloth tells it, and balls keep their colours."""

from dataclasses import replace
from math import degrees
from pathlib import Path

import av
import numpy as np
import pytest

from tests.vision.one_kick import CAMERA, film_kick, read_kick
from vision.film.planes import BLACK, NEUTRAL
from vision.light import BRIGHT, Light, LightMeter, in_one_light, light_of_film
from vision.reading import Attempt
from vision.reduced import Picture


def attempts_of(path: Path) -> tuple[Attempt, ...]:
    return read_kick(path).attempts


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Attempt]:
    """One kick in even light, and what it is read as."""
    path = tmp_path_factory.mktemp("films") / "kick.mp4"
    film_kick(path)
    (found,) = attempts_of(path)
    return path, found


@pytest.mark.parametrize(("before", "after", "at_s"), [(1.0, 0.5, 2.2), (0.65, 1.0, 1.2), (1.0, 1.4, 1.9)])
def test_light_that_is_switched(
    film: tuple[Path, Attempt], before: float, after: float, at_s: float, tmp_path: Path
) -> None:
    """During the shot, and before it: levels of the whole picture change from one frame to the next."""
    source, true = film
    goal = tmp_path / "switched.mp4"
    with av.open(str(source)) as bright, av.open(str(goal), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = CAMERA.width, CAMERA.height, "yuv420p"
        stream.options = {"crf": "10", "preset": "ultrafast", "threads": "1"}
        for k, picture in enumerate(bright.decode(video=0)):
            share = before if k / 30 < at_s else after
            levels = np.clip(picture.to_ndarray(format="bgr24") * share, 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(levels, format="bgr24")
            frame.pts = k
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    (found,) = attempts_of(goal)
    assert found.t_s == pytest.approx(true.t_s, abs=0.004)
    assert found.start_m == pytest.approx(true.start_m, abs=0.001)
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.15
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.004)
    assert found.outcome == true.outcome
    assert [hit.balls for hit in found.ball_contacts] == [hit.balls for hit in true.ball_contacts] == [("cue", "red")]


CLOTH = np.full((40, 60, 3), (90, 110, 120), np.uint8)
REGION = np.full((40, 60), 255, np.uint8)


@pytest.mark.parametrize("share", [0.4, 0.8, 1.5])
def test_light_is_told_by_the_cloth(share: float) -> None:
    seen = CLOTH.copy()
    seen[..., 0] = np.rint(BLACK + (CLOTH[..., 0] - BLACK) * share)
    # An arm over a third of the table.
    seen[:13, :, 0] = 220
    light = LightMeter(CLOTH, REGION).of(seen[..., 0])
    assert light.share == pytest.approx(share, rel=0.03)


def test_stills_of_two_lights_are_brought_to_one() -> None:
    dark = Light(2.0).evened_picture(CLOTH)
    evened = in_one_light([CLOTH, dark, dark], REGION)
    assert evened[1] is dark
    assert evened[0] == pytest.approx(dark, abs=1)


def test_small_changes_of_light_are_none() -> None:
    seen = CLOTH[..., 0] + np.uint8(4)
    light = LightMeter(CLOTH, REGION).of(seen)
    assert light == Light(1.0)
    assert light.evened_picture(CLOTH) is CLOTH


def test_colours_are_evened_like_pictures() -> None:
    light = Light(0.5)
    colour = np.array([80.0, NEUTRAL + 20, NEUTRAL - 30])
    evened = light.colour(colour)
    assert evened == pytest.approx([144.0, NEUTRAL + 40, NEUTRAL - 60])
    picture = np.broadcast_to(colour.astype(np.uint8), (2, 2, 3)).copy()
    assert light.evened_picture(picture)[0, 0] == pytest.approx(evened, abs=1)
    assert replace(light, share=1.0).colour(colour) is colour


def test_a_picture_of_the_dark_has_some_light() -> None:
    assert LightMeter(CLOTH, REGION).of(np.zeros_like(CLOTH[..., 0])).share > 0


def dark_still(cloth: int, ball: int) -> Picture:
    """Reduced luma of a cloth with a ball on it that is five pixels across."""
    luma = np.full((40, 60), cloth, np.uint8)
    luma[10:15, 20:25] = ball
    return luma


def test_dark_film_is_told_by_the_brightest_that_it_shows() -> None:
    light = light_of_film([dark_still(38, 38), dark_still(38, 70)], REGION)
    evened = light.evened((dark_still(38, 70), *2 * [np.full((20, 30), 118, np.uint8)]))
    assert evened[0].max() == pytest.approx(BRIGHT, abs=1)
    # Chroma grows as luma does.
    assert evened[1][0, 0] == pytest.approx(NEUTRAL - 10 / light.share, abs=1)


def test_a_dark_cloth_in_good_light_is_no_dark_film() -> None:
    assert light_of_film([dark_still(38, 190)], REGION).share == 1.0


def test_cloth_without_a_bright_ball_is_not_made_so_light_that_one_would_have_no_edge() -> None:
    light = light_of_film([dark_still(70, 74)], REGION)
    assert light.evened((dark_still(70, 130), *2 * [np.full((20, 30), 128, np.uint8)]))[0].max() < 230
