"""Films read as a whole: small rendered ones against their truth, turned, mirrored and shifted in time; the sample."""

import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import degrees, radians
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Camera, Setup
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from tests.known_clips import KnownClip, compare
from tests.rendering import Physics, Truth, Try, aim_rad, overhead_camera, render_clip
from tests.vision.films import OPTIONS, write_film
from vision.read import read_clip
from vision.reading import Attempt, Reading
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(640, 360))
HANGING = (2.452, 0.088)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
PHYSICS = Physics()
Turn = Callable[[NDArray[np.uint8]], NDArray[np.uint8]]


@dataclass(frozen=True)
class Film:
    path: Path
    truth: Truth
    reading: Reading

    @property
    def attempt(self) -> Attempt:
        assert len(self.reading.attempts) == 1
        return self.reading.attempts[0]


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Film:
    """One kick at a ball over the corner, a little wide, seen from above at 640 x 360."""
    path = tmp_path_factory.mktemp("films") / "kick.mp4"
    start, speed = (0.9, 0.3), 2.2
    ghost = KICK.target_point_m(TABLE)
    bearing = degrees(aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], speed, TABLE, PHYSICS)) + 1.2
    attempt = Try({"cue": start, "red": HANGING}, bearing, speed, wait_s=1.5, watch_s=3.5)
    truth = render_clip(path, CAMERA, TABLE, [attempt], fps=30, physics=PHYSICS, sub_exposures=4, crf=14)
    return Film(path, truth, read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA)))


def turn_degrees(a_rad: float, b_rad: float) -> float:
    return degrees(float(np.angle(np.exp(1j * (a_rad - b_rad)))))


def test_attempt_is_what_happened(film: Film) -> None:
    found, true = film.attempt, film.truth.tries[0]
    assert found.t_s == pytest.approx(true.t_s, abs=0.005)
    assert found.start_m == pytest.approx(true.cue_start_m, abs=0.002)
    assert turn_degrees(found.bearing_rad, true.bearing_rad) == pytest.approx(0, abs=0.25)
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.03)
    assert found.contacts[0].rail == "left"
    assert found.contacts[0].at_m == pytest.approx(true.contacts[0].at_m, abs=0.005)
    assert found.contacts[0].t_s == pytest.approx(true.contacts[0].t_s, abs=0.006)
    assert found.miss_m == pytest.approx(true.miss_m("cue", ["left"], KICK.target_point_m(TABLE)), abs=0.006)
    assert found.outcome == ("made" if any(p.ball == "red" for p in true.pocketed) else "missed")
    assert film.reading.not_attempts == ()


def test_facts_of_the_clip(film: Film) -> None:
    clip = film.reading.clip
    assert (clip.width, clip.height, clip.frames_lost, clip.complete) == (640, 360, 0, True)
    assert clip.frames == len(film.truth.pts_s)
    assert clip.duration_s == pytest.approx(film.truth.pts_s[-1] - film.truth.pts_s[0])


def test_reading_twice_gives_the_same(film: Film) -> None:
    seen: list[float] = []
    threads: list[int] = []

    def progress(part: float) -> None:
        seen.append(part)
        threads.append(cv2.getNumThreads())

    before = cv2.getNumThreads()
    again = read_clip(film.path, KICK, setup=Setup(TABLE, "left", CAMERA), progress=progress)
    assert set(threads) == {1}
    assert cv2.getNumThreads() == before
    assert again.to_json() == film.reading.to_json()
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert all(0 <= part <= 1 for part in seen)


def rewritten(source: Path, goal: Path, turn: Turn | None = None, shift: int = 0) -> Path:
    """The film with every picture turned, or, left as it is, with all times later by ``shift`` of its time units."""
    with av.open(str(source)) as film, av.open(str(goal), "w", format="mp4") as out:
        inwards = film.streams.video[0]
        if turn is None:
            copy = out.add_stream_from_template(inwards)
            for packet in film.demux(inwards):
                if packet.dts is not None:
                    packet.pts, packet.dts = int(packet.pts or 0) + shift, packet.dts + shift
                    packet.stream = copy
                    out.mux(packet)
            return goal
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = inwards.width, inwards.height, "yuv420p"
        stream.options = {"crf": "10", "preset": "ultrafast", "threads": "1"}
        stream.time_base = stream.codec_context.time_base = inwards.time_base
        for picture in film.decode(inwards):
            frame = av.VideoFrame.from_ndarray(turn(picture.to_ndarray(format="bgr24")), format="bgr24")
            frame.pts, frame.time_base = picture.pts, picture.time_base
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return goal


def test_later_times_shift_times_only(film: Film, tmp_path: Path) -> None:
    later = rewritten(film.path, tmp_path / "later.mp4", shift=5 * 90000)
    found = read_clip(later, KICK, setup=Setup(TABLE, "left", CAMERA)).attempts
    assert len(found) == 1
    assert found[0].t_s == pytest.approx(film.attempt.t_s + 5, abs=1e-6)
    assert found[0].contacts[0].t_s == pytest.approx(film.attempt.contacts[0].t_s + 5, abs=1e-6)
    assert found[0].start_m == pytest.approx(film.attempt.start_m, abs=1e-9)
    assert found[0].miss_m == pytest.approx(film.attempt.miss_m, abs=1e-9)


def upside_down(camera: Camera) -> Camera:
    cx, cy = camera.centre_px
    return replace(
        camera,
        rotation=np.diag([-1.0, -1.0, 1.0]) @ camera.rotation,
        centre_px=(camera.width - 1 - cx, camera.height - 1 - cy),
    )


def mirrored(camera: Camera) -> Camera:
    """The camera that sees, of a table with left and right exchanged, the mirrored picture."""
    cx, cy = camera.centre_px
    x, y, z = camera.position_m
    return replace(
        camera,
        rotation=np.diag([1.0, -1.0, 1.0]) @ camera.rotation @ np.diag([1.0, -1.0, 1.0]),
        position_m=np.array([x, TABLE.width_m - y, z]),
        centre_px=(cx, camera.height - 1 - cy),
    )


def test_upside_down_picture_gives_the_same(film: Film, tmp_path: Path) -> None:
    turned = rewritten(film.path, tmp_path / "turned.mp4", lambda p: np.ascontiguousarray(p[::-1, ::-1]))
    found = read_clip(turned, KICK, setup=Setup(TABLE, "right", upside_down(CAMERA))).attempts
    assert len(found) == 1
    same_but_for_the_film(found[0], film.attempt)
    assert found[0].contacts[0].rail == "left"


def test_mirrored_picture_gives_the_mirrored_shot(film: Film, tmp_path: Path) -> None:
    flipped = rewritten(film.path, tmp_path / "flipped.mp4", lambda p: np.ascontiguousarray(p[::-1]))
    shot = replace(
        KICK, rails=("right",), target_ball=(HANGING[0], TABLE.width_m - HANGING[1]), target_pocket="foot-left"
    )
    found = read_clip(flipped, shot, setup=Setup(TABLE, "left", mirrored(CAMERA))).attempts
    assert len(found) == 1
    back = replace(
        found[0],
        start_m=np.array([found[0].start_m[0], TABLE.width_m - found[0].start_m[1]]),
        bearing_rad=-found[0].bearing_rad,
        miss_m=-found[0].miss_m,
    )
    same_but_for_the_film(back, film.attempt)
    assert found[0].contacts[0].rail == "right"


def same_but_for_the_film(found: Attempt, before: Attempt) -> None:
    """Encoded anew, the film's noise is another: a tenth of a pixel (half a millimetre) and what follows from it."""
    assert found.t_s == pytest.approx(before.t_s, abs=0.002)
    assert found.start_m == pytest.approx(before.start_m, abs=0.0005)
    assert turn_degrees(found.bearing_rad, before.bearing_rad) == pytest.approx(0, abs=0.1)
    assert found.speed_mps == pytest.approx(before.speed_mps, rel=0.01)
    assert found.miss_m == pytest.approx(before.miss_m, abs=0.003)
    assert found.miss_per_rad_m == pytest.approx(before.miss_per_rad_m, abs=0.003)
    assert found.outcome == before.outcome


def test_film_cut_in_the_middle_of_the_shot(film: Film, tmp_path: Path) -> None:
    """What was read is kept, the film's end is told, and nothing is called made."""
    cut = tmp_path / "cut.mkv"
    with av.open(str(film.path)) as source, av.open(str(cut), "w", format="matroska") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None and float((packet.pts or 0) * packet.time_base) < film.attempt.t_s + 0.25:
                packet.stream = stream
                out.mux(packet)
    found = read_clip(cut, KICK, setup=Setup(TABLE, "left", CAMERA)).attempts
    assert len(found) == 1
    assert found[0].outcome == "unclear"
    assert "path_lost" in found[0].flags
    assert np.isnan(found[0].miss_m)
    assert turn_degrees(found[0].bearing_rad, film.attempt.bearing_rad) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("frozen_after_s", [0.3, 0.8])
def test_film_that_stands_still_in_the_middle_of_the_shot(film: Film, frozen_after_s: float, tmp_path: Path) -> None:
    """For three seconds it shows one picture, then it goes on where it stopped: one attempt, unclear."""
    frozen = tmp_path / "frozen.mp4"
    still = round((film.truth.tries[0].t_s + frozen_after_s) * 30)
    with av.open(str(film.path)) as source, av.open(str(frozen), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = CAMERA.width, CAMERA.height, "yuv420p"
        stream.options = OPTIONS["libx264"]
        pictures = [frame.to_ndarray(format="bgr24") for frame in source.decode(video=0)]
        for k, picture in enumerate([*pictures[:still], *[pictures[still]] * 90, *pictures[still + 1 :]]):
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts = k
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    reading = read_clip(frozen, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert any(
        f"stands still from {still / 30:.1f} to {still / 30 + 3:.1f} s" in warning for warning in reading.warnings
    )
    (found,) = reading.attempts
    assert found.t_s == pytest.approx(film.attempt.t_s, abs=0.005)
    assert found.outcome == "unclear"
    assert "path_lost" in found.flags
    assert found.pocketed == ()
    assert turn_degrees(found.bearing_rad, film.attempt.bearing_rad) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize(
    ("codec", "pix_fmt", "container"),
    [("libx265", "yuv420p10le", "mov"), ("libx264", "yuv422p", "matroska")],
)
def test_same_film_in_another_format(film: Film, codec: str, pix_fmt: str, container: str, tmp_path: Path) -> None:
    path = tmp_path / "film"
    with av.open(str(film.path)) as source, av.open(str(path), "w", format=container) as out:
        stream = out.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = CAMERA.width, CAMERA.height, pix_fmt
        stream.options = OPTIONS[codec]
        stream.time_base = stream.codec_context.time_base = source.streams.video[0].time_base
        for picture in source.decode(video=0):
            frame = picture.reformat(format=pix_fmt)
            frame.pts, frame.time_base = picture.pts, picture.time_base
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    found = read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert (found.clip.frames, found.clip.frames_lost) == (film.reading.clip.frames, 0)
    (attempt,) = found.attempts
    assert attempt.outcome == film.attempt.outcome
    assert attempt.start_m == pytest.approx(film.attempt.start_m, abs=0.001)
    assert turn_degrees(attempt.bearing_rad, film.attempt.bearing_rad) == pytest.approx(0, abs=0.15)
    assert attempt.miss_m == pytest.approx(film.attempt.miss_m, abs=0.004)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are found by /proc")
def test_decoder_that_is_killed_midway_costs_no_attempt_before(film: Film) -> None:
    """The shot is over in a second or so; what a killed decoder did not give is said to be missing."""

    def kill(part: float) -> None:
        if part < 0.85:
            return
        for pid in Path(f"/proc/self/task/{threading.get_native_id()}/children").read_text().split():
            if b"vision.film.decoding_process" in Path(f"/proc/{pid}/cmdline").read_bytes():
                os.kill(int(pid), signal.SIGKILL)

    found = read_clip(film.path, KICK, setup=Setup(TABLE, "left", CAMERA), progress=kill)
    assert not found.clip.complete
    assert found.clip.frames < film.reading.clip.frames
    assert any("signal 9" in warning and "is kept" in warning for warning in found.warnings)
    (attempt,) = found.attempts
    assert attempt.start_m == pytest.approx(film.attempt.start_m, abs=1e-6)


def test_saved_camera_of_another_size_is_refused(film: Film) -> None:
    with pytest.raises(InputError, match="640 x 360") as caught:
        read_clip(film.path, KICK, setup=Setup(TABLE, "left", overhead_camera(TABLE, size=(1280, 720))))
    assert str(caught.value).startswith(str(film.path))


def test_saved_camera_that_was_knocked_since_is_refused(film: Film) -> None:
    knocked = replace(CAMERA, centre_px=(CAMERA.centre_px[0] + 6.0, CAMERA.centre_px[1]))
    with pytest.raises(InputError, match=r"saved camera does not fit this film.*register it anew"):
        read_clip(film.path, KICK, setup=Setup(TABLE, "left", knocked))


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
    film: Film, after_strike_s: float, flags: tuple[str, ...], tmp_path: Path
) -> None:
    at_s = film.attempt.t_s + after_strike_s
    bumped = knocked(film, tmp_path / "knocked.mp4", at_s)
    reading = read_clip(bumped, KICK, setup=Setup(TABLE, "left", CAMERA))
    first_after = film.truth.pts_s[film.truth.pts_s >= at_s][0]
    assert reading.warnings == (f"camera moved at {first_after:.1f} s; registered again",)
    assert len(reading.attempts) == 1
    found = reading.attempts[0]
    assert set(found.flags) == set(film.attempt.flags) | set(flags)
    # Registered from pictures of 640 x 360 pixels, 5 mm each; the shift itself is 20 mm.
    assert found.t_s == pytest.approx(film.attempt.t_s, abs=0.005)
    assert found.start_m == pytest.approx(film.attempt.start_m, abs=0.002)
    assert turn_degrees(found.bearing_rad, film.attempt.bearing_rad) == pytest.approx(0, abs=0.25)
    assert found.miss_m == pytest.approx(film.attempt.miss_m, abs=0.008)
    assert found.outcome == film.attempt.outcome
    assert reading.not_attempts == ()


def test_phone_still_being_put_up_when_the_film_begins(film: Film, tmp_path: Path) -> None:
    """The table is found where the camera stood longest, and a camera saved for that is accepted."""
    left = iter(film.truth.pts_s)

    def turn(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        time_s = next(left)
        away = 40 * max(0.9 - time_s, 0.0)
        matrix = np.array([[1, 0, away * np.cos(9 * time_s)], [0, 1, away]])
        return picture if away == 0 else cv2.warpAffine(picture, matrix, picture.shape[1::-1]).astype(np.uint8)

    late = rewritten(film.path, tmp_path / "late.mp4", turn)
    reading = read_clip(late, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert len(reading.warnings) == 1
    assert reading.warnings[0].startswith("camera moved at 0.")
    assert len(reading.attempts) == 1
    same_but_for_the_film(reading.attempts[0], film.attempt)


def test_part_in_which_no_table_is_found_goes_by_the_shift(
    film: Film, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> Setup:
        raise InputError("no table")

    monkeypatch.setattr("vision.stands.register", refused)
    bumped = knocked(film, tmp_path / "knocked.mp4", film.attempt.t_s - 0.8)
    reading = read_clip(bumped, KICK, setup=Setup(TABLE, "left", CAMERA))
    assert reading.warnings[0].endswith("; followed by the picture's shift")
    assert reading.attempts[0].start_m == pytest.approx(film.attempt.start_m, abs=0.002)
    assert turn_degrees(reading.attempts[0].bearing_rad, film.attempt.bearing_rad) == pytest.approx(0, abs=0.25)


@pytest.mark.parametrize("size", [(96, 64), (640, 360)])
def test_film_without_a_table_is_refused_in_a_sentence(size: tuple[int, int], tmp_path: Path) -> None:
    write_film(tmp_path / "other.mp4", size=size)
    with pytest.raises(InputError) as caught:
        read_clip(tmp_path / "other.mp4", KICK)
    message = str(caught.value)
    assert message.startswith(f"{tmp_path / 'other.mp4'}: ")
    assert message.endswith(".")
    assert "table" in message
    assert "\n" not in message


# --- the sample clip, its camera found from the film ---


def test_sample_is_read_as_well_as_is_wanted(sample_reading: Reading, known_sample: KnownClip) -> None:
    found = compare(sample_reading, known_sample)
    assert (found.attempts, found.found, found.false, found.wrong_outcomes) == (5, 5, 0, 0)
    assert found.lost_contacts == 0
    # A straight-down clip at 1080p: what the project asks for.
    assert found.rms("start") < 0.002
    assert found.rms("bearing") < radians(0.15)
    assert found.rms("contact") < 0.005
    assert found.rms("speed") < 0.03
    assert found.rms("strike") < 0.003
    assert found.rms("miss") < 0.004
    assert found.pooled("bearing", common_apart=True) < 2.0


def test_sample_says_what_it_found(sample_reading: Reading) -> None:
    assert sample_reading.table_name == "9ft"
    assert sample_reading.camera.automatic
    assert 0 < sample_reading.camera.common_bearing_sd_rad < radians(0.1)
    assert sample_reading.clip.complete
    assert sample_reading.warnings == ()
    assert all(a.ball == "cue" for a in sample_reading.attempts)
    # The cue ball is taken up at a pocket's lip, and once passes close by the other ball without meeting it.
    assert all("scratch" not in a.flags for a in sample_reading.attempts)
    met = [len(a.ball_contacts) for a in sample_reading.attempts]
    assert (met[0], met[1], met[3], met[4]) == (1, 1, 0, 1)
