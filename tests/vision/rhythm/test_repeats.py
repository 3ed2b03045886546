"""Films that show pictures twice: what is shown again counts once, and the others at the times when they were taken."""

from collections.abc import Callable
from math import degrees
from pathlib import Path

import av
import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from tests.rendering.film import write_frames
from tests.vision.one_kick import CAMERA, FPS, TABLE, film_kick, read_kick
from vision.outlines.outline import BallView
from vision.reading import Attempt
from vision.reduced import Reduction
from vision.rhythm.repeats import Repeats, even_times
from vision.sightings import Rest, Sighting
from vision.table_view import TableView
from vision.track import Track
from vision.tracks import Tracker

PLANE = BallPlane(CAMERA, TABLE.ball_radius_m)
REDUCTION = Reduction(2, 0, 0, 640, 360)


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Attempt]:
    """One kick, filmed at an even rate, and what it is read as."""
    path = tmp_path_factory.mktemp("films") / "kick.mp4"
    film_kick(path)
    reading = read_kick(path)
    assert reading.warnings == ()
    return path, reading.attempts[0]


def shown_at(source: Path, goal: Path, fps: int, *, coarse: bool = False) -> Path:
    """The film as one of more pictures a second, which shows at each moment the picture taken last.

    Coded ``coarse`` as films mostly are, what is shown again differs a little.
    """
    with av.open(str(source)) as film, av.open(str(goal), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = CAMERA.width, CAMERA.height, "yuv420p"
        quality = ("28", "veryfast") if coarse else ("14", "ultrafast")
        stream.options = {"crf": quality[0], "preset": quality[1], "threads": "1"}
        pictures = [picture.to_ndarray(format="bgr24") for picture in film.decode(video=0)]
        for k in range(len(pictures) * fps // FPS):
            frame = av.VideoFrame.from_ndarray(pictures[k * FPS // fps], format="bgr24")
            frame.pts = k
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return goal


def shown_without(source: Path, goal: Path, left_out: Callable[[int], bool]) -> Path:
    """The film without some of its pictures, by their numbers, the others shown evenly in the same time."""
    with av.open(str(source)) as film:
        pictures = [picture.to_ndarray(format="bgr24") for picture in film.decode(video=0)]
    kept = [picture for k, picture in enumerate(pictures) if not left_out(k)]
    times = np.arange(len(kept)) * len(pictures) / len(kept) / FPS
    write_frames(goal, kept, (CAMERA.width, CAMERA.height), times, FPS, crf=14)
    return goal


@pytest.mark.parametrize(("fps", "coarse"), [(36, False), (50, False), (75, True), (240, False)])
def test_film_brought_to_another_rate_is_read_alike(
    taken: tuple[Path, Attempt], fps: int, coarse: bool, tmp_path: Path
) -> None:
    source, true = taken
    reading = read_kick(shown_at(source, tmp_path / "shown.mp4", fps, coarse=coarse))
    told = "shown twice" if fps < 2 * FPS else f"shown {fps / FPS:.2g} times in the mean"
    assert any(told in warning for warning in reading.warnings)
    (found,) = reading.attempts
    # A picture is shown up to one frame late.
    assert 0 <= found.t_s - true.t_s + 0.001 < 1 / fps + 0.002
    assert found.start_m == pytest.approx(true.start_m, abs=0.001 if coarse else 0.0005)
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.1
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.02 if coarse else 0.01)
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.003)
    assert (found.outcome, [c.rail for c in found.contacts]) == (true.outcome, [c.rail for c in true.contacts])


def test_film_that_shows_a_picture_for_every_one_that_was_lost_keeps_its_times(
    taken: tuple[Path, Attempt], tmp_path: Path
) -> None:
    """As regular as pictures of another rate are, but those between were shown when they were taken."""
    source, true = taken
    with av.open(str(source)) as film:
        pictures = [picture.to_ndarray(format="bgr24") for picture in film.decode(video=0)]
    shown = [pictures[k - (k % 5 == 4)] for k in range(len(pictures))]
    write_frames(tmp_path / "shown.mp4", shown, (CAMERA.width, CAMERA.height), np.arange(len(shown)) / FPS, FPS, crf=14)
    reading = read_kick(tmp_path / "shown.mp4")
    assert any("shown twice" in warning for warning in reading.warnings)
    (found,) = reading.attempts
    assert found.t_s == pytest.approx(true.t_s, abs=0.002)
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.1
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.01)
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.003)


@pytest.mark.parametrize("fps", [24, 25])
def test_film_with_pictures_left_out_by_turns_is_read_alike(
    taken: tuple[Path, Attempt], fps: int, tmp_path: Path
) -> None:
    source, true = taken
    reading = read_kick(shown_at(source, tmp_path / "shown.mp4", fps))
    assert any("left out by turns" in warning for warning in reading.warnings)
    (found,) = reading.attempts
    assert abs(found.t_s - true.t_s) < 1 / fps
    assert found.start_m == pytest.approx(true.start_m, abs=0.0005)
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.1
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.01)
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.003)


def test_film_with_every_eighth_picture_left_out_is_read_alike(taken: tuple[Path, Attempt], tmp_path: Path) -> None:
    source, true = taken
    reading = read_kick(shown_without(source, tmp_path / "shown.mp4", lambda k: k % 8 == 5))
    assert any("left out by turns" in warning for warning in reading.warnings)
    (found,) = reading.attempts
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.1
    # Those that are left are shown in the time of all.
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.01)
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.003)


def test_film_with_pictures_left_out_now_and_again_is_read_alike_with_a_warning(
    taken: tuple[Path, Attempt], tmp_path: Path
) -> None:
    source, true = taken
    dropped = np.random.default_rng(5).random(400) < 1 / 12
    shown = shown_without(source, tmp_path / "shown.mp4", lambda k: bool(dropped[k]))
    reading = read_kick(shown)
    (warning,) = (warning for warning in reading.warnings if "pictures are missing in" in warning)
    assert "speeds there may be off by" in warning
    (found,) = reading.attempts
    assert "pictures_missing" in found.flags
    assert degrees(abs(found.bearing_rad - true.bearing_rad)) < 0.1
    # Those that are left are shown in the time of all: nobody can tell, but it is said.
    assert abs(found.speed_mps - true.speed_mps) < 1.5 * found.speed_sd_mps < 0.2 * true.speed_mps
    assert found.miss_m == pytest.approx(true.miss_m, abs=0.003)
    assert (found.outcome, [c.rail for c in found.contacts]) == (true.outcome, [c.rail for c in true.contacts])


def run_of(taken_fps: float, shown_fps: float, count: int = 90) -> list[tuple[float, bool]]:
    """A film's frames: when each is shown, and whether it shows the picture of the one before."""
    pictures = np.floor(np.arange(count) / shown_fps * taken_fps + 1e-9)
    return [(float(k / shown_fps), bool(k and pictures[k] == pictures[k - 1])) for k in range(count)]


@pytest.mark.parametrize(("taken_fps", "shown_fps"), [(24, 30), (25, 30), (24, 60), (25, 60), (15, 30), (50, 60)])
def test_times_are_put_back_to_the_rate_of_the_camera(taken_fps: float, shown_fps: float) -> None:
    times = even_times(run_of(taken_fps, shown_fps))
    steps = np.diff([times[old] for old in sorted(times)])
    assert steps == pytest.approx(1 / taken_fps, rel=0.01)
    assert max(abs(new - old) for old, new in times.items()) < 0.6 / shown_fps


def test_hiccups_move_no_times() -> None:
    run = [(k / 30, k in (20, 41)) for k in range(60)]
    assert even_times(run) == {}


def test_a_rate_is_fitted_on_either_side_of_a_picture_that_is_missing() -> None:
    run = run_of(25, 60, 240)
    gap = [entry for k, entry in enumerate(run) if not 118 <= k < 127]
    times = even_times(gap)
    steps = np.diff([times[old] for old in sorted(times)])
    assert np.median(steps) == pytest.approx(1 / 25, rel=0.01)
    assert max(abs(new - old) for old, new in times.items()) < 0.6 / 60


def view(at_m: tuple[float, float]) -> BallView:
    return BallView(np.array(at_m), 0.0003, PLANE.pixel(np.array(at_m)), np.zeros(3), 1.0)


def looked(time_s: float, *places_m: tuple[float, float]) -> TableView:
    nothing = np.zeros((9, 16), np.uint8)
    return TableView(time_s, tuple(map(view, places_m)), (False,) * len(places_m), nothing, nothing, REDUCTION)


def rolling(at_m: tuple[float, float], time_s: float) -> Track:
    """A ball that rolls along x at a metre per second, seen there then."""
    path = [Sighting(time_s - k / 30, np.array([at_m[0] - k / 30, at_m[1]]), 0.0003, False) for k in (2, 1, 0)]
    return Track(1, np.zeros(3), view(at_m), time_s, path=path, frames=9)


def lying(at_m: tuple[float, float], time_s: float) -> Track:
    return Track(
        2,
        np.zeros(3),
        view(at_m),
        time_s,
        rests=[Rest(np.array(at_m), 0.001, 0.0, time_s, 9)],
        resting=True,
        frames=9,
    )


@pytest.mark.parametrize(
    ("places_m", "again"),
    [
        ([(1.0, 0.5), (1.8, 0.9)], True),
        ([(1.033, 0.5), (1.8, 0.9)], False),
        # What rolled was a stick's tip, which stops; the ball beside it sets off.
        ([(1.0, 0.5), (1.84, 0.92)], False),
        ([(1.8, 0.9)], False),
    ],
)
def test_picture_in_which_nothing_has_moved(places_m: list[tuple[float, float]], again: bool) -> None:
    tracker = Tracker(PLANE, TABLE)
    tracker.tracks = [rolling((1.0, 0.5), 2.0), lying((1.8, 0.9), 2.0)]
    assert Repeats().take(looked(2.0 + 1 / 30, *places_m), tracker) is again


def test_ball_that_is_stopped_is_looked_at_again_soon() -> None:
    tracker = Tracker(PLANE, TABLE)
    tracker.tracks = [rolling((1.0, 0.5), 2.0)]
    repeats = Repeats()
    taken = [repeats.take(looked(2.0 + k / 60, (1.0, 0.5)), tracker) for k in range(1, 20)]
    assert not all(taken[:6])
    assert repeats.count == 0


def test_tracks_without_repeats_stay_as_they_are() -> None:
    place = np.zeros(2)
    view = BallView(place, 0.0003, np.zeros(2), np.zeros(3), 1.0)
    track = Track(0, np.zeros(3), view, 1.0, rests=[Rest(place, 0.001, 0.0, 1.0, 9)])
    track.path.append(Sighting(1.1, place, 0.001, False))
    assert Repeats().evened([track]) == [track]
