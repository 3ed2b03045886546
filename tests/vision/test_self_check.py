"""A camera checked by balls at rest: films of balls in the corners and on a spot, under good cameras and wrong ones."""

import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from app.telling.check_words import tell_check
from calibration.camera import Camera, Setup
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from tests.rendering import RED, WHITE, YELLOW, Ball, Look, Stage, overhead_camera
from tests.rendering.picture import with_noise
from tests.vision.films import write_film
from vision.checked import SelfCheck
from vision.resting import stretches
from vision.self_check import check_clip_setup, spots_m

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(1280, 720))
GOOD = Setup(TABLE, "left", CAMERA)
# Beside the foot spot by 6 mm along and -9 mm across.
SPOT = (0.75 * TABLE.length_m + 0.006, TABLE.width_m / 2 - 0.009)
CORNERS = [(0.12, 0.12), (0.12, 1.15), (2.42, 1.15), (2.42, 0.12)]
BALLS = [*(Ball(x, y, WHITE, "plain") for x, y in CORNERS), Ball(*SPOT, YELLOW, "plain")]
SECONDS, FPS = 12, 3
# Where sizes do not matter, small pictures do.
SMALL = overhead_camera(TABLE, size=(640, 360))
Levels = NDArray[np.float32]


@pytest.fixture(scope="module")
def small() -> Stage:
    return Stage.build(SMALL, TABLE, Look())


@pytest.fixture(scope="module")
def still() -> Levels:
    return Stage.build(CAMERA, TABLE, Look()).still(BALLS)


@pytest.fixture(scope="module")
def film(still: Levels, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("rest") / "rest.mp4", lambda k: still)


@pytest.fixture(scope="module")
def glimpse(still: Levels, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same balls, for no longer than it takes to see that they rest."""
    return written(tmp_path_factory.mktemp("rest") / "glimpse.mp4", lambda k: still, 8)


@pytest.fixture(scope="module")
def good(film: Path) -> SelfCheck:
    tapes = (float(np.hypot(2.30, 1.03)) + 0.001, float(np.hypot(2.30, 1.03)) + 0.02, 0.5)
    return check_clip_setup(film, setup=GOOD, tapes_m=tapes)


def written(path: Path, levels: Callable[[int], Levels], frames: int = SECONDS * FPS) -> Path:
    """A film whose every frame has noise of its own."""
    random = np.random.default_rng(3)
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=FPS)
        stream.height, stream.width = levels(0).shape[:2]
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "16", "preset": "ultrafast", "threads": "1", "g": "9"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        for k in range(frames):
            frame = av.VideoFrame.from_ndarray(with_noise(levels(k), 1.5, random), format="bgr24")
            frame.pts, frame.time_base = 1000 * k // FPS, Fraction(1, 1000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


def contradictions(found: SelfCheck) -> str:
    return " ".join(tell_check(found).contradictions)


def test_true_camera_agrees_but_for_the_wrong_tapes(good: SelfCheck) -> None:
    assert good.whole
    assert good.noses.agrees
    assert good.sizes is not None
    assert good.sizes.agrees
    assert good.sizes.tells_along
    assert good.sizes.tells_across
    told = tell_check(good).contradictions
    assert len(told) == 2
    assert "the tape says" in told[0].lower()
    assert "No two balls lay about 0.5 m apart" in told[1]


def test_balls_are_measured_where_they_lie(good: SelfCheck) -> None:
    assert len(good.balls) == len(BALLS)
    for ball in BALLS:
        place = min(good.places, key=lambda p: float(np.hypot(*(p.at_m - [ball.x_m, ball.y_m]))))
        assert place.at_m == pytest.approx([ball.x_m, ball.y_m], abs=0.001)
        assert place.diameter_m == pytest.approx(2 * TABLE.ball_radius_m, abs=3 * place.diameter_sd_m)
        assert 0.0002 < place.diameter_sd_m < 0.0015


def test_offset_from_a_spot(good: SelfCheck) -> None:
    (on,) = good.spots
    assert on.spot == "foot"
    assert on.ball.colour == "yellow"
    assert on.offset_m == pytest.approx([0.006, -0.009], abs=0.001)
    assert re.search(r"lay [56]\.\d mm along and −[89]\.\d mm across from the foot spot", tell_check(good).spots[0])


def test_distances_and_tapes(good: SelfCheck) -> None:
    diagonal = np.hypot(2.30, 1.03)
    assert good.distances[0].distance_m == pytest.approx(diagonal, abs=0.0015)
    assert good.distances[0].distance_m >= good.distances[1].distance_m
    # Given as exact, the camera states no standard deviation, and the pair has none.
    assert np.isnan(good.distances[0].sd_m)
    assert [pair.agrees for pair in good.tapes] == [True, False]
    assert good.tapes_without == (0.5,)


def test_resting_ball_is_found_as_steadily_as_stated(good: SelfCheck) -> None:
    assert len(good.scatter) == len(BALLS)
    for one in good.scatter:
        assert one.frames >= 2 * FPS
        assert one.sd_m < one.stated_sd_m
        assert one.agrees
    assert good.drift is not None
    assert good.drift.over_s == pytest.approx(SECONDS, abs=0.5)
    assert good.drift.drift_m < 0.0002
    assert good.drift.agrees


def test_json_holds_what_was_found(good: SelfCheck) -> None:
    told = good.to_json()
    assert told["noses"]["agrees"] is True
    assert len(told["diameters"]) == len(BALLS)
    assert told["distances"][0]["distance_sd_m"] is None
    assert told["tapes"][1]["agrees"] is False
    assert told["spots"][0]["offset_m"] == pytest.approx([0.006, -0.009], abs=0.001)
    assert told["size"]["share_of_nominal"] == pytest.approx(1, abs=0.03)


def tilted(camera: Camera, degrees: float, stretch: float) -> Camera:
    """The camera with focal length and height stretched, tilted along the table about the table's middle."""
    middle = np.array([*TABLE.centre_m, 0.0])
    turn = cv2.Rodrigues(np.radians([0.0, degrees, 0.0]))[0]
    arm = turn @ (camera.position_m - middle) * stretch
    return replace(
        camera,
        focal_px=camera.focal_px * stretch,
        rotation=camera.rotation @ turn.T,
        position_m=middle + arm,
    )


def test_camera_that_is_a_little_off_is_told_by_the_noses(glimpse: Path) -> None:
    """Focal length 2 % off with a height to match, tilt 0.3 degrees off: a ball's size changes by 0.5 % at most."""
    found = check_clip_setup(glimpse, setup=replace(GOOD, camera=tilted(CAMERA, 0.3, 1.02)))
    assert not found.noses.agrees
    assert found.sizes is not None
    assert not found.sizes.slopes_along
    assert "pixels from where it was" in contradictions(found)
    assert "larger at" not in contradictions(found)


def test_camera_that_is_tilted_is_told_by_the_diameters(glimpse: Path) -> None:
    found = check_clip_setup(glimpse, setup=replace(GOOD, camera=tilted(CAMERA, 1.5, 1.0)))
    sizes = found.sizes
    assert sizes is not None
    # The camera is taken to stand nearer to one end than it does: by the tilt times the table's half length either way.
    towards_foot = tilted(CAMERA, 1.5, 1.0).position_m[0] > CAMERA.position_m[0]
    expected = np.radians(1.5) * TABLE.length_m / CAMERA.position_m[2] * (-1 if towards_foot else 1)
    assert sizes.along == pytest.approx(expected, abs=3 * sizes.along_sd)
    assert sizes.slopes_along
    assert not sizes.slopes_across
    larger, smaller = ("head", "foot") if expected < 0 else ("foot", "head")
    assert f"larger at the {larger} end than at the {smaller} end" in contradictions(found)


def test_table_of_another_size_is_told_by_the_diameters_alone(glimpse: Path) -> None:
    other = STANDARD_TABLES["8ft"]
    scale = other.length_m / TABLE.length_m
    found = check_clip_setup(glimpse, setup=Setup(other, "left", replace(CAMERA, position_m=CAMERA.position_m * scale)))
    assert found.noses.agrees
    assert found.sizes is not None
    assert found.sizes.share == pytest.approx(scale, abs=0.02)
    assert "this is no 8ft table" in contradictions(found)


def test_centres_that_scatter_more_than_is_stated(small: Stage, tmp_path: Path) -> None:
    offsets = np.random.default_rng(1).uniform(-0.002, 0.002, (SECONDS * FPS, 2))
    steps = [small.still([Ball(0.6 + dx, 0.4 + dy, WHITE, "plain")]) for dx, dy in offsets]
    found = check_clip_setup(written(tmp_path / "trembles.mp4", steps.__getitem__), setup=Setup(TABLE, "left", SMALL))
    assert len(found.scatter) == 1
    # The sd of an even spread is its whole width over the root of 12; half of that is within a few frames' chance.
    assert found.scatter[0].sd_m == pytest.approx(0.004 / np.sqrt(12), rel=0.5)
    assert "scatters by" in contradictions(found)


def test_ball_that_creeps(small: Stage, tmp_path: Path) -> None:
    steps = [small.still([Ball(0.6 + x, 0.4, WHITE, "plain")]) for x in np.linspace(0, 0.003, SECONDS * FPS)]
    found = check_clip_setup(written(tmp_path / "creeps.mp4", steps.__getitem__), setup=Setup(TABLE, "left", SMALL))
    assert found.drift is not None
    # In pictures so small balls seem to stay where they were until they are a quarter of a pixel farther.
    # Two thirds of the way, from the middle of the first third to that of the last, to a sixth of a pixel.
    assert found.drift.drift_m == pytest.approx(0.002, abs=SMALL.mm_per_px(TABLE) / 6000)
    assert "crept by" in contradictions(found)


def test_no_ball_at_rest(small: Stage, tmp_path: Path) -> None:
    places = np.linspace(0.3, 2.2, 12)
    rolling = [small.still([Ball(float(x), 0.6, RED, "plain")]) for x in places]
    path = written(tmp_path / "rolling.mp4", lambda k: rolling[k % 12])
    found = check_clip_setup(path, setup=Setup(TABLE, "left", SMALL))
    assert found.balls == ()
    assert found.sizes is None
    assert found.distances == ()
    words = tell_check(found)
    assert "No ball was seen at rest in this film" in words.seen[0]
    assert words.contradictions == ()


def test_saved_camera_of_another_size_of_picture(tmp_path: Path) -> None:
    write_film(tmp_path / "small.mp4")
    with pytest.raises(InputError, match="96 x 64 pixels, the camera was registered at 1280 x 720"):
        check_clip_setup(tmp_path / "small.mp4", setup=GOOD)


def test_film_of_another_view(tmp_path: Path) -> None:
    grey = np.full((SMALL.height, SMALL.width, 3), 120, np.float32)
    found = check_clip_setup(written(tmp_path / "grey.mp4", lambda k: grey), setup=Setup(TABLE, "left", SMALL))
    assert found.balls == ()
    assert tell_check(found).seen[0].startswith("Balls were not looked for")
    assert "not the camera of this film" in contradictions(found)


def test_a_long_film_is_looked_at_here_and_there() -> None:
    assert list(stretches(3.0, 63.0)) == [(3.0, 63.0)]
    assert list(stretches(0.0, np.inf)) == [(0.0, np.inf)]
    parts = list(stretches(10.0, 3610.0))
    assert parts[0][0] == 10.0
    assert parts[-1][1] == pytest.approx(3610.0)
    assert sum(end - start for start, end in parts) == pytest.approx(120.0)
    assert all(start > before[1] for before, (start, _) in pairwise(parts))


def test_spots_of_a_table() -> None:
    """WPA's published equipment specification: on the middle line, the foot spot at a quarter from the foot rail."""
    assert spots_m(TABLE)["foot"] == pytest.approx([75 * 0.0254, 25 * 0.0254])
    assert spots_m(TABLE)["head"] == pytest.approx([25 * 0.0254, 25 * 0.0254])
    assert spots_m(TABLE)["centre"] == pytest.approx([50 * 0.0254, 25 * 0.0254])
