"""Films read as a whole: a small rendered one against its truth, turned, mirrored and shifted in time; the sample."""

import os
import signal
import threading
from dataclasses import replace
from math import radians
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Setup
from calibration.errors import InputError
from tests.known_clips import KnownClip, compare
from tests.rendering import overhead_camera
from tests.vision.films import OPTIONS, write_film
from tests.vision.one_kick import CAMERA, HANGING, KICK, TABLE, Film, rewritten, same_but_for_the_film, turn_degrees
from vision.read import read_clip
from vision.reading import Reading


def test_attempt_is_what_happened(kick_film: Film) -> None:
    found, true = kick_film.attempt, kick_film.truth.tries[0]
    assert found.t_s == pytest.approx(true.t_s, abs=0.005)
    assert found.start_m == pytest.approx(true.cue_start_m, abs=0.002)
    assert turn_degrees(found.bearing_rad, true.bearing_rad) == pytest.approx(0, abs=0.25)
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.03)
    assert found.contacts[0].rail == "left"
    assert found.contacts[0].at_m == pytest.approx(true.contacts[0].at_m, abs=0.005)
    assert found.contacts[0].t_s == pytest.approx(true.contacts[0].t_s, abs=0.006)
    assert found.miss_m == pytest.approx(true.miss_m("cue", ["left"], KICK.target_point_m(TABLE)), abs=0.006)
    assert found.outcome == ("made" if any(p.ball == "red" for p in true.pocketed) else "missed")
    # It meets the right rail half a frame before the ball.
    assert [c.rail for c in found.contacts] == [c.rail for c in true.contacts if c.ball == "cue"] == ["left", "right"]
    assert found.ball_contacts[0].t_s == pytest.approx(true.ball_contacts[0].t_s, abs=0.01)
    assert "rail_first" in found.flags
    assert kick_film.reading.not_attempts == ()


def test_facts_of_the_clip(kick_film: Film) -> None:
    clip = kick_film.reading.clip
    assert (clip.width, clip.height, clip.frames_lost, clip.complete) == (640, 360, 0, True)
    assert clip.frames == len(kick_film.truth.pts_s)
    assert clip.duration_s == pytest.approx(kick_film.truth.pts_s[-1] - kick_film.truth.pts_s[0])


def test_reading_twice_gives_the_same(kick_film: Film) -> None:
    seen: list[float] = []
    threads: list[int] = []

    def progress(part: float) -> None:
        seen.append(part)
        threads.append(cv2.getNumThreads())

    before = cv2.getNumThreads()
    again = read_clip(kick_film.path, KICK, setup=Setup(TABLE, "left", CAMERA), progress=progress)
    assert set(threads) == {1}
    assert cv2.getNumThreads() == before
    assert again.to_json() == kick_film.reading.to_json()
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert all(0 <= part <= 1 for part in seen)


def test_later_times_shift_times_only(kick_film: Film, tmp_path: Path) -> None:
    later = rewritten(kick_film.path, tmp_path / "later.mp4", shift=5 * 90000)
    found = read_clip(later, KICK, setup=Setup(TABLE, "left", CAMERA)).attempts
    assert len(found) == 1
    assert found[0].t_s == pytest.approx(kick_film.attempt.t_s + 5, abs=1e-6)
    assert found[0].contacts[0].t_s == pytest.approx(kick_film.attempt.contacts[0].t_s + 5, abs=1e-6)
    assert found[0].start_m == pytest.approx(kick_film.attempt.start_m, abs=1e-9)
    assert found[0].miss_m == pytest.approx(kick_film.attempt.miss_m, abs=1e-9)


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


def test_upside_down_picture_gives_the_same(kick_film: Film, tmp_path: Path) -> None:
    turned = rewritten(kick_film.path, tmp_path / "turned.mp4", lambda p: np.ascontiguousarray(p[::-1, ::-1]))
    found = read_clip(turned, KICK, setup=Setup(TABLE, "right", upside_down(CAMERA))).attempts
    assert len(found) == 1
    same_but_for_the_film(found[0], kick_film.attempt)
    assert found[0].contacts[0].rail == "left"


def test_mirrored_picture_gives_the_mirrored_shot(kick_film: Film, tmp_path: Path) -> None:
    flipped = rewritten(kick_film.path, tmp_path / "flipped.mp4", lambda p: np.ascontiguousarray(p[::-1]))
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
    same_but_for_the_film(back, kick_film.attempt)
    assert found[0].contacts[0].rail == "right"


def test_film_cut_in_the_middle_of_the_shot(kick_film: Film, tmp_path: Path) -> None:
    """What was read is kept, the film's end is told, and nothing is called made."""
    cut = tmp_path / "cut.mkv"
    with av.open(str(kick_film.path)) as source, av.open(str(cut), "w", format="matroska") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None and float((packet.pts or 0) * packet.time_base) < kick_film.attempt.t_s + 0.25:
                packet.stream = stream
                out.mux(packet)
    found = read_clip(cut, KICK, setup=Setup(TABLE, "left", CAMERA)).attempts
    assert len(found) == 1
    assert found[0].outcome == "unclear"
    assert "path_lost" in found[0].flags
    assert np.isnan(found[0].miss_m)
    assert turn_degrees(found[0].bearing_rad, kick_film.attempt.bearing_rad) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("frozen_after_s", [0.3, 0.8])
def test_film_that_stands_still_in_the_middle_of_the_shot(
    kick_film: Film, frozen_after_s: float, tmp_path: Path
) -> None:
    """For three seconds it shows one picture, then it goes on where it stopped: one attempt, unclear."""
    frozen = tmp_path / "frozen.mp4"
    still = round((kick_film.truth.tries[0].t_s + frozen_after_s) * 30)
    with av.open(str(kick_film.path)) as source, av.open(str(frozen), "w", format="mp4") as out:
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
    assert found.t_s == pytest.approx(kick_film.attempt.t_s, abs=0.005)
    assert found.outcome == "unclear"
    assert "path_lost" in found.flags
    assert found.pocketed == ()
    assert turn_degrees(found.bearing_rad, kick_film.attempt.bearing_rad) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize(
    ("codec", "pix_fmt", "container"),
    [("libx265", "yuv420p10le", "mov"), ("libx264", "yuv422p", "matroska")],
)
def test_same_film_in_another_format(kick_film: Film, codec: str, pix_fmt: str, container: str, tmp_path: Path) -> None:
    path = tmp_path / "film"
    with av.open(str(kick_film.path)) as source, av.open(str(path), "w", format=container) as out:
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
    assert (found.clip.frames, found.clip.frames_lost) == (kick_film.reading.clip.frames, 0)
    (attempt,) = found.attempts
    assert attempt.outcome == kick_film.attempt.outcome
    assert attempt.start_m == pytest.approx(kick_film.attempt.start_m, abs=0.001)
    assert turn_degrees(attempt.bearing_rad, kick_film.attempt.bearing_rad) == pytest.approx(0, abs=0.15)
    assert attempt.miss_m == pytest.approx(kick_film.attempt.miss_m, abs=0.004)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are found by /proc")
def test_decoder_that_is_killed_midway_costs_no_attempt_before(kick_film: Film) -> None:
    """The shot is over in a second or so; what a killed decoder did not give is said to be missing."""

    def kill(part: float) -> None:
        if part < 0.85:
            return
        for pid in Path(f"/proc/self/task/{threading.get_native_id()}/children").read_text().split():
            if b"vision.film.decoding_process" in Path(f"/proc/{pid}/cmdline").read_bytes():
                os.kill(int(pid), signal.SIGKILL)

    found = read_clip(kick_film.path, KICK, setup=Setup(TABLE, "left", CAMERA), progress=kill)
    assert not found.clip.complete
    assert found.clip.frames < kick_film.reading.clip.frames
    assert any("signal 9" in warning and "is kept" in warning for warning in found.warnings)
    (attempt,) = found.attempts
    assert attempt.start_m == pytest.approx(kick_film.attempt.start_m, abs=1e-6)


def test_saved_camera_of_another_size_is_refused(kick_film: Film) -> None:
    with pytest.raises(InputError, match="640 x 360") as caught:
        read_clip(kick_film.path, KICK, setup=Setup(TABLE, "left", overhead_camera(TABLE, size=(1280, 720))))
    assert str(caught.value).startswith(str(kick_film.path))


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
