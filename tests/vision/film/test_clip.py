"""Opening and decoding films: what is refused and how, exact times, damage counted; one contract for every kind."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import InputError
from tests.vision.films import (
    COUNT,
    FPS,
    HEIGHT,
    TIME_BASE,
    WIDTH,
    even_times,
    packets_of,
    picture,
    remux,
    turned,
    write_film,
    write_sound,
)
from vision.film.clip import KEPT_FRAMES, Frame, open_clip
from vision.film.containers import HLG
from vision.film.limits import Limits

# Times of a phone that films at a varying rate, with a gap where it dropped frames.
VARYING = [0, 3003, 5997, 9010, 11890, 24000, 27001, 30050, 32990, 36000, 48123, 51000]


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught, open_clip(path):
        pass
    message = str(caught.value)
    assert message.startswith(str(path))
    assert message.endswith(".")
    assert "\n" not in message
    return message


def frames_of(path: Path) -> list[Frame]:
    with open_clip(path) as clip:
        return list(clip.frames())


def bar_at(frame: Frame) -> int:
    """Which of the dozen places the bar is in."""
    columns = frame.y.astype(float).mean(axis=0)
    return int(np.array([part.mean() for part in np.array_split(columns, 12)]).argmax())


# --- one contract for all kinds of film ---


def plain(path: Path) -> Path:
    write_film(path / "plain.mp4")
    return path / "plain.mp4"


def matroska(path: Path) -> Path:
    remux(plain(path), path / "film.mkv", "matroska")
    return path / "film.mkv"


def quicktime(path: Path) -> Path:
    remux(plain(path), path / "film.mov", "mov")
    return path / "film.mov"


def ten_bit(path: Path) -> Path:
    write_film(path / "deep.mp4", pix_fmt="yuv420p10le")
    return path / "deep.mp4"


def hevc(path: Path) -> Path:
    write_film(path / "hevc.mov", codec="libx265", container="mov")
    return path / "hevc.mov"


def high_range(path: Path) -> Path:
    """As phones film it: ten bits, HLG."""
    write_film(path / "deep.mov", codec="libx265", pix_fmt="yuv420p10le", container="mov", transfer=HLG)
    return path / "deep.mov"


def web(path: Path) -> Path:
    write_film(path / "film.webm", codec="libvpx-vp9", container="webm")
    return path / "film.webm"


def av1(path: Path) -> Path:
    write_film(path / "film.mp4", codec="libsvtav1")
    return path / "film.mp4"


def camera_of_the_trade(path: Path) -> Path:
    """As cameras for editing film it: 4:2:2 in ten bits."""
    write_film(path / "film.mov", codec="prores_ks", pix_fmt="yuv422p10le", container="mov")
    return path / "film.mov"


def portrait(path: Path) -> Path:
    write_film(path / "tall.mp4", size=(96, 160))
    return path / "tall.mp4"


def slow_motion(path: Path) -> Path:
    write_film(path / "slow.mp4", pts=even_times(fps=240))
    return path / "slow.mp4"


def few_a_second(path: Path) -> Path:
    write_film(path / "few.mp4", pts=even_times(fps=15))
    return path / "few.mp4"


def in_fragments(path: Path) -> Path:
    write_film(path / "parts.mp4", muxing={"movflags": "frag_keyframe+empty_moov"})
    return path / "parts.mp4"


def unstated_length(path: Path) -> Path:
    write_film(path / "live.mkv", container="matroska", muxing={"live": "1"})
    return path / "live.mkv"


def full_colour(path: Path) -> Path:
    write_film(path / "full.mp4", pix_fmt="yuv444p")
    return path / "full.mp4"


def odd_size(path: Path) -> Path:
    write_film(path / "odd.mkv", size=(97, 65), codec="mjpeg", pix_fmt="yuvj420p", container="matroska")
    return path / "odd.mkv"


def padded_lines(path: Path) -> Path:
    """A width that no decoder's line length equals."""
    write_film(path / "padded.mp4", size=(106, 62))
    return path / "padded.mp4"


def varying_rate(path: Path) -> Path:
    write_film(path / "varying.mp4", pts=VARYING)
    return path / "varying.mp4"


def late_start(path: Path) -> Path:
    write_film(path / "late.mkv", pts=[t + 90000 for t in even_times()], container="matroska")
    return path / "late.mkv"


KINDS = [
    *(plain, matroska, quicktime, web, in_fragments, unstated_length),
    *(hevc, av1, camera_of_the_trade, ten_bit, high_range, full_colour),
    *(odd_size, padded_lines, portrait, varying_rate, late_start, slow_motion, few_a_second),
]
SIZES = {odd_size: (97, 65), padded_lines: (106, 62), portrait: (96, 160)}


@pytest.fixture(params=KINDS, ids=lambda make: make.__name__)
def kind(request: pytest.FixtureRequest) -> Callable[[Path], Path]:
    made: Callable[[Path], Path] = request.param
    return made


def test_contract(kind: Callable[[Path], Path], tmp_path: Path) -> None:
    width, height = SIZES.get(kind, (WIDTH, HEIGHT))
    count = len(VARYING) if kind is varying_rate else COUNT
    with open_clip(kind(tmp_path)) as clip:
        assert (clip.width, clip.height) == (width, height)
        stills = clip.stills(5)
        frames = list(clip.frames())
        again = [f.pts for f in clip.frames()]
        assert (clip.frames_read, clip.frames_lost, clip.complete) == (count, 0, True)
        between = list(clip.frames_between(frames[5].time_s, frames[9].time_s))
        glances = list(clip.glances(0.1))
        last = clip.last_frames()
        assert clip.duration_s == pytest.approx(frames[-1].time_s - frames[0].time_s, abs=0.2)
    assert [f.pts for f in between] == [f.pts for f in frames[5:10]]
    assert [f.pts for f in last] == [frames[-1].pts]
    assert glances
    assert {g.pts for g in glances} <= {f.pts for f in frames}
    assert again == [f.pts for f in frames]
    assert all(a.time_s < b.time_s for a, b in pairwise(frames))
    by_time = {f.pts: f for f in frames}
    assert 1 <= len(stills) <= 5
    assert [s.pts for s in stills] == sorted({s.pts for s in stills})
    for k, frame in enumerate(frames):
        assert frame.y.shape == (height, width)
        assert frame.u.shape == frame.v.shape == ((height + 1) // 2, (width + 1) // 2)
        assert frame.y.dtype == frame.u.dtype == frame.v.dtype == np.uint8
        assert bar_at(frame) == k % 12
    for still in [*stills, *between, *last]:
        # A still is the very frame of that time.
        assert np.array_equal(still.y, by_time[still.pts].y)
    shown = frames[1].bgr()
    assert shown.shape == (height, width, 3)
    assert np.abs(shown.astype(int) - picture(1, width, height)).mean() < 12


def test_stills_are_spread_over_the_film(tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", pts=even_times(60), gop=60)
    with open_clip(tmp_path / "film.mp4") as clip:
        times = [s.time_s for s in clip.stills(6)]
    # A key frame in the first of six equal parts; the middles of the others, or the first frame after them.
    assert times == pytest.approx([0, *(np.arange(1, 6) + 0.5) / 6 * 60 / FPS], abs=1.01 / FPS)


def test_key_frames_stand_for_the_stretches_that_they_lie_in(tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", pts=even_times(60), gop=7)
    with open_clip(tmp_path / "film.mp4") as clip:
        times = [s.time_s for s in clip.stills(6)]
    # The last key frame in each stretch of ten frames.
    assert times == pytest.approx(np.array([7, 14, 28, 35, 49, 56]) / FPS)


@pytest.mark.parametrize("gop", [7, 30, 60])
def test_what_was_glanced_at_is_not_decoded_again(gop: int, tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", pts=even_times(60), gop=gop)
    with open_clip(tmp_path / "film.mp4") as clip:
        times = [[s.time_s for s in clip.stills(6)], [s.time_s for s in clip.stills(4, 0.5, 1.5)]]
    with open_clip(tmp_path / "film.mp4") as clip:
        glances = list(clip.glances(0.1))
        glanced, planes = {g.pts for g in glances}, {id(g.y) for g in glances}
        stills = clip.stills(6)
        # The same frames as without a glance before, and key frames among them are those that were glanced at.
        assert [[s.time_s for s in stills], [s.time_s for s in clip.stills(4, 0.5, 1.5)]] == times
        assert {s.pts for s in stills if id(s.y) in planes} == {s.pts for s in stills} & glanced
        # What was decoded for a still is kept as well, until the film is read through.
        assert all(a is b for a, b in zip(stills, clip.stills(6), strict=True))
        assert len(list(clip.frames())) == 60
        assert all(a is not b for a, b in zip(stills, clip.stills(6), strict=True))


def test_few_glances_are_kept_however_far_a_film_goes_past_its_end(tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", pts=even_times(60), gop=1)
    with open_clip(tmp_path / "film.mp4") as clip:
        glances = list(clip.glances(1 / FPS))
        clip.duration_s /= 2
        again = list(clip.glances(1 / FPS))
        assert len(glances) == len(again) == 60
        assert len(clip._kept) == KEPT_FRAMES


def test_more_stills_asked_for_than_there_are_frames(tmp_path: Path) -> None:
    write_film(tmp_path / "film.mp4", pts=even_times(3))
    with open_clip(tmp_path / "film.mp4") as clip:
        assert 1 <= len(clip.stills(16)) <= 3


@pytest.mark.parametrize("container", ["mp4", "matroska"])
def test_times_of_a_varying_rate_are_exact(container: str, tmp_path: Path) -> None:
    path = tmp_path / "film"
    write_film(path, pts=VARYING, container=container)
    times = [f.time_s for f in frames_of(path)]
    # Matroska keeps milliseconds.
    resolution = 1e-9 if container == "mp4" else 0.5e-3
    assert times == pytest.approx([float(t * TIME_BASE) for t in VARYING], abs=resolution * 1.01)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_rotation_flag(turn: int, tmp_path: Path) -> None:
    """The clockwise turn that shows the frame upright; the frame itself stays as it is stored."""
    path = tmp_path / "film.mp4"
    write_film(path)
    path.write_bytes(turned(path.read_bytes(), turn))
    with open_clip(path) as clip:
        assert clip.rotation_deg == turn
        assert (clip.width, clip.height) == (WIDTH, HEIGHT)
        assert next(clip.frames()).y.shape == (HEIGHT, WIDTH)


# --- refused, in one sentence ---


def test_missing_file(tmp_path: Path) -> None:
    assert "cannot be read" in refusal(tmp_path / "nothing.mp4")


def test_folder(tmp_path: Path) -> None:
    assert "cannot be read" in refusal(tmp_path)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x00",
        b"a text that is no film at all\n",
        bytes(1000),
        b"RIFF0000AVI LIST",
        b"\xff" * 300,
    ],
)
def test_not_a_film(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    assert "not a film" in refusal(path)


TS_PACKET = b"\x47" + b"\xff" * 187


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b'name = "a kick"\nkind = "kick"\n', "a text file"),
        (b"RIFF0000AVI LIST", "an AVI file"),
        (b"RIFF0000WAVEfmt ", "a file of sound"),
        (TS_PACKET * 7, "an MPEG transport stream"),
        ((b"\0\0\0\1" + TS_PACKET) * 7, "an MPEG transport stream"),
        (b"\0\0\1\xba" + bytes(90), "an MPEG program stream"),
    ],
)
def test_what_it_is_instead_is_told(content: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    assert words in refusal(path)


def test_name_does_not_matter(tmp_path: Path) -> None:
    write_film(tmp_path / "film.txt", container="matroska")
    assert len(frames_of(tmp_path / "film.txt")) == COUNT


@pytest.mark.parametrize(
    "playlist",
    [
        "#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\n{other}\n#EXT-X-ENDLIST\n",
        "ffconcat version 1.0\nfile '{other}'\n",
        # With the bytes that an MP4 begins with before it.
        "\x00\x00\x00\x10ftypisom#EXTM3U\n#EXTINF:5,\n{other}\n#EXT-X-ENDLIST\n",
    ],
)
def test_playlist_that_calls_itself_a_film(playlist: str, tmp_path: Path) -> None:
    write_film(tmp_path / "other.mp4")
    path = tmp_path / "film.mp4"
    path.write_text(playlist.format(other=tmp_path / "other.mp4"), encoding="latin-1")
    assert any(words in refusal(path) for words in ("not a film", "cannot be opened"))


def test_sound_only(tmp_path: Path) -> None:
    write_sound(tmp_path / "sound.mp4")
    assert "no video" in refusal(tmp_path / "sound.mp4")


def test_cut_at_half_without_index(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "cut off or damaged" in refusal(path)


def test_cut_before_the_first_frame(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, index_first=True)
    first, _ = packets_of(path)[0]
    path.write_bytes(path.read_bytes()[: first + 4])
    assert "not one frame" in refusal(path)


# --- damaged, but read as far as it goes ---


def test_cut_at_half_with_index(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, pts=even_times(60), index_first=True)
    position, _ = packets_of(path)[30]
    path.write_bytes(path.read_bytes()[:position])
    with open_clip(path) as clip:
        read = len(list(clip.frames()))
        assert 28 <= read <= 30
        assert not clip.complete


def test_flipped_bytes_cost_no_more_than_their_groups(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, pts=even_times(120), gop=6)
    film = bytearray(path.read_bytes())
    hit = (20, 57, 90)
    rng = np.random.default_rng(5)
    for k in hit:
        position, size = packets_of(path)[k]
        for at in rng.integers(position + 5, position + size, 40):
            film[at] ^= int(rng.integers(1, 256))
    path.write_bytes(film)
    with open_clip(path) as clip:
        frames = list(clip.frames())
        assert clip.frames_read == len(frames)
        # What is not shown is counted, and no more is lost than the groups of six frames that were hit.
        assert clip.frames_read + clip.frames_lost >= 120 - 1
        assert clip.frames_read >= 120 - 6 * len(hit)
        assert clip.complete
    assert all(a.time_s < b.time_s for a, b in pairwise(frames))
    # Frames of untouched groups are what they were.
    touched = {k // 6 for k in hit}
    for frame in frames:
        k = round(frame.time_s * FPS)
        if k // 6 not in touched:
            assert bar_at(frame) == k % 12


def test_given_up_after_too_many_broken_packets(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, pts=even_times(120), gop=1)
    film = bytearray(path.read_bytes())
    for position, size in packets_of(path)[40:]:
        film[position + 4 : position + size] = b"\xff" * (size - 4)
    path.write_bytes(film)
    with open_clip(path, Limits(broken_packets=20)) as clip:
        frames = list(clip.frames())
        assert 35 <= len(frames) <= 40
        assert 20 < clip.frames_lost <= 25
        assert not clip.complete
