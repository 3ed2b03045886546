"""Films that lie, and limits that hold: each limit is broken by a film, and the refusal is one plain sentence."""

import struct
from collections.abc import Callable, Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
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
    shown_by,
    write_film,
)
from vision.film.decoding import Decoder
from vision.film.limits import Limits


def refusal(path: Path, limits: Limits | None = None) -> str:
    with pytest.raises(InputError) as caught, Decoder(path, limits or Limits()):
        pass
    message = str(caught.value)
    assert message.startswith(str(path))
    assert message.endswith(".")
    assert "\n" not in message
    return message


def times_of(path: Path, limits: Limits | None = None) -> tuple[list[float], Decoder]:
    with Decoder(path, limits or Limits()) as film:
        return [float(p.pts * TIME_BASE) for p in film.pictures()], film


def motion_jpeg(path: Path, pts: list[int] | None = None) -> None:
    """Frames that each stand by themselves, with their sizes in plain sight."""
    write_film(path, codec="mjpeg", pix_fmt="yuvj420p", container="matroska", pts=pts)


def with_size(path: Path, frames: slice, width: int, height: int) -> None:
    """State another size in the headers of some frames (JPEG's SOF0: ITU-T T.81, B.2.2)."""
    film = bytearray(path.read_bytes())
    for position, size in packets_of(path)[frames]:
        at = film.index(b"\xff\xc0", position, position + size)
        film[at + 5 : at + 9] = struct.pack(">HH", height, width)
    path.write_bytes(film)


# --- what a film may ask for ---


def test_picture_larger_than_the_limit(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    assert "too large" in refusal(path, Limits(pixels=WIDTH * HEIGHT - 1))
    with Decoder(path, Limits(pixels=WIDTH * HEIGHT)) as film:
        assert len(list(film.pictures())) == COUNT


def test_first_frame_states_a_huge_size(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    motion_jpeg(path)
    with_size(path, slice(None), 65_000, 65_000)
    assert any(words in refusal(path) for words in ("too large", "not one frame", "cannot be opened"))


def test_later_frames_of_another_size_are_lost(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    motion_jpeg(path)
    with_size(path, slice(5, 8), 65_000, 65_000)
    with_size(path, slice(12, 13), WIDTH, HEIGHT // 2)
    times, film = times_of(path)
    assert len(times) == COUNT - 4
    assert film.lost == 4


def test_codec_that_no_camera_uses(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    write_film(path, codec="ffv1", container="matroska")
    assert any(words in refusal(path) for words in ("codec", "cannot be opened"))


def test_pixels_that_are_not_square(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    write_film(path, container="matroska", pixel_aspect=Fraction(4, 3))
    assert f"pictures of {WIDTH} x {HEIGHT} pixels are marked to be shown as {WIDTH * 4 // 3} x {HEIGHT}" in refusal(
        path
    )


def test_header_that_states_a_size_past_belief_is_told_by_what_it_states(tmp_path: Path) -> None:
    """Of a track header (ISO/IEC 14496-12) that is damaged, players stretch the pictures to the size it states."""
    path = tmp_path / "film.mp4"
    write_film(path)
    film = bytearray(path.read_bytes())
    at = film.index(b"tkhd") + 4 + 76
    film[at : at + 8] = struct.pack(">II", 65_535 << 16, 65_535 << 16)
    path.write_bytes(film)
    message = refusal(path)
    assert f"pictures of {WIDTH} x {HEIGHT} pixels" in message
    assert "header is damaged" in message


@pytest.mark.parametrize("matrix", [(-1, 0, 0, 1), (1, 0, 0, -1), (0, 1, 1, 0), (0, -1, -1, 0)])
def test_film_to_be_shown_mirrored(matrix: tuple[int, int, int, int], tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    path.write_bytes(shown_by(path.read_bytes(), *matrix))
    assert "shown mirrored" in refusal(path)


def test_given_up_after_too_many_packets_without_a_picture(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, pts=even_times(90), gop=1)
    film = bytearray(path.read_bytes())
    for position, size in packets_of(path)[40:]:
        film[position + 4 : position + size] = b"\xff" * (size - 4)
    path.write_bytes(film)
    for limit, gives_up in ((30, True), (60, False)):
        times, read = times_of(path, Limits(broken_packets=limit))
        assert 35 <= len(times) <= 40
        assert read.gave_up == gives_up
        assert read.lost >= (limit if gives_up else 50)


# --- several films in a file ---


def beside(path: Path, sizes: Sequence[tuple[int, int]], shown: int, codecs: Sequence[str] = ()) -> None:
    """A Matroska file with films of several sizes beside one another; players show that of number ``shown``."""
    codecs = codecs or ["libx264"] * len(sizes)
    with av.open(str(path), "w", format="matroska") as film:
        streams = []
        for k, (size, codec) in enumerate(zip(sizes, codecs, strict=True)):
            stream = film.add_stream(codec, rate=FPS)
            assert isinstance(stream, av.VideoStream)
            stream.width, stream.height = size
            stream.pix_fmt = "yuv420p"
            stream.disposition = av.stream.Disposition.default if k == shown else av.stream.Disposition(0)
            streams.append(stream)
        for k in range(COUNT):
            for stream in streams:
                frame = av.VideoFrame.from_ndarray(picture(k, stream.width, stream.height), format="bgr24")
                film.mux(stream.encode(frame.reformat(format="yuv420p")))
        for stream in streams:
            film.mux(stream.encode())


@pytest.mark.parametrize("sizes", [[(48, 32), (WIDTH, HEIGHT)], [(WIDTH, HEIGHT), (48, 32)]])
def test_largest_of_several_films_is_read(sizes: list[tuple[int, int]], tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    beside(path, sizes, shown=sizes.index((48, 32)))
    with Decoder(path, Limits()) as film:
        assert (film.facts.width, film.facts.height, film.facts.films) == (WIDTH, HEIGHT, 2)
        assert len(list(film.pictures())) == COUNT


@pytest.mark.parametrize("shown", [0, 1])
def test_of_films_of_one_size_the_one_that_is_shown_is_read(shown: int, tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    beside(path, [(WIDTH, HEIGHT), (WIDTH, HEIGHT)], shown=shown)
    with Decoder(path, Limits()) as film:
        assert film._stream.index == shown


def test_film_in_a_codec_that_is_read_goes_before_a_larger_one_that_is_not(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    beside(path, [(2 * WIDTH, 2 * HEIGHT), (WIDTH, HEIGHT)], shown=0, codecs=["ffv1", "libx264"])
    with Decoder(path, Limits()) as film:
        assert film.facts.width == WIDTH


# --- files that pose as films ---


@pytest.mark.parametrize(
    "head",
    [
        b"\x89PNG\r\n\x1a\n",
        b"\xff\xd8\xff\xe0\x00\x10JFIF",
        b"GIF89a",
        b"\x00\x00\x00\x18ftypheic",
        b"\x00\x00\x00\x1cftypavif",
    ],
)
def test_still_picture(head: bytes, tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    path.write_bytes(head + bytes(200))
    assert "still picture" in refusal(path)


def test_name_with_a_zero_byte() -> None:
    assert "cannot be read" in refusal(Path("film\0.mp4"))


@pytest.mark.parametrize("name", ["http:film.mp4", "concat:a|b", "-film.mp4", "file,,x.mp4", "Ü %d.mp4"])
def test_name_is_a_name_and_nothing_else(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A decoder takes words before a colon for a protocol."""
    monkeypatch.chdir(tmp_path)
    write_film(tmp_path / "plain.mp4")
    (tmp_path / "plain.mp4").rename(tmp_path / name)
    times, _ = times_of(Path(name))
    assert len(times) == COUNT


def test_index_of_no_frames(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    film = bytearray(path.read_bytes())
    # The counts of the tables of sizes, times and chunks (ISO/IEC 14496-12): none.
    for box, offset in ((b"stsz", 12), (b"stts", 8), (b"stsc", 8), (b"stco", 8)):
        at = film.index(box) + offset
        film[at : at + 4] = bytes(4)
    path.write_bytes(film)
    assert any(words in refusal(path) for words in ("not one frame", "no video", "cannot be opened"))


def test_index_of_more_frames_than_there_are(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    film = bytearray(path.read_bytes())
    at = film.index(b"stsz") + 12
    film[at : at + 4] = struct.pack(">I", 2**31)
    path.write_bytes(film)
    try:
        times, _ = times_of(path)
    except InputError:
        return
    assert len(times) <= COUNT


@pytest.mark.parametrize("container", ["mp4", "matroska"])
def test_bytes_changed_anywhere(container: str, tmp_path: Path) -> None:
    """Read or refused; never an error of another kind, never the same time twice, never out of bounds."""
    whole = tmp_path / "whole"
    write_film(whole, container=container, index_first=True)
    path = tmp_path / "film"
    read = 0
    for seed in range(60):
        film = bytearray(whole.read_bytes())
        rng = np.random.default_rng(seed)
        # Mostly the head of the file, where its structure is told.
        for at in [*rng.integers(20, 1500, seed % 12), *rng.integers(20, len(film), seed % 5 * 4)]:
            film[at] = rng.integers(256)
        path.write_bytes(film if seed % 7 else film[: rng.integers(20, len(film))])
        try:
            with Decoder(path, Limits()) as damaged:
                times = [p.pts for p in damaged.pictures()]
                facts = damaged.facts
                assert all(a < b for a, b in pairwise(times))
                assert not facts.duration_s > damaged.limits.duration_s
                middle_s = facts.start_s + (facts.duration_s if np.isfinite(facts.duration_s) else 0.0) / 2
                assert len(list(damaged.near([facts.start_s, middle_s, 1e300]))) <= 3
                assert len(list(damaged.key_pictures(10.0))) <= damaged.limits.duration_s / 10
                assert len(list(damaged.between(middle_s, middle_s + 0.2))) <= COUNT
        except InputError:
            continue
        read += bool(times)
    # Not everything is refused.
    assert read >= 10


# --- times ---


def shifted(path: Path, change: Callable[[list[int]], list[int]]) -> None:
    """A Matroska film of single frames whose times were changed behind the encoder's back."""
    source = path.with_name("source.mkv")
    motion_jpeg(source)
    kept = {"avoid_negative_ts": "disabled"}
    with av.open(str(source)) as film, av.open(str(path), "w", format="matroska", options=kept) as out:
        stream = out.add_stream_from_template(film.streams.video[0])
        packets = [p for p in film.demux(film.streams.video[0]) if p.dts is not None]
        for packet, pts in zip(packets, change([int(p.pts or 0) for p in packets]), strict=True):
            # The muxer wants decoding to come first, in order; it writes nothing of it down.
            packet.pts, packet.dts = pts, int(packet.dts or 0) - 5000
            packet.stream = stream
            out.mux(packet)


def matroska_from(path: Path, first: int, codec: str) -> None:
    """A Matroska film whose first frame has the number ``first``, below 0 perhaps, and is the only one found by time.

    Where a frame stands by itself its time below 0 is told by those that follow; else it is lost (RFC 9559 has none).
    """
    write_film(
        path,
        pts=[(first + k) * 3000 for k in range(COUNT)],
        codec=codec,
        pix_fmt="yuvj420p" if codec == "mjpeg" else "yuv420p",
        container="matroska",
        gop=COUNT,
        muxing={"avoid_negative_ts": "disabled"},
    )


def test_film_whose_times_begin_below_zero_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    matroska_from(path, -10, "mjpeg")
    with Decoder(path, Limits()) as film:
        for _ in range(2):
            times = [p.pts / 1000 for p in film.pictures()]
            assert times == pytest.approx([(k - 10) / FPS for k in range(COUNT)], abs=0.005)
            assert film.lost == 0
        assert film.facts.start_s == pytest.approx(-10 / FPS, abs=0.005)
        assert film.facts.stated_s == pytest.approx(COUNT / FPS, abs=0.005)


def test_pictures_without_times_are_lost_and_the_others_read_and_found(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    matroska_from(path, -10, "libx264")
    with Decoder(path, Limits()) as film:
        times = [p.pts / 1000 for p in film.pictures()]
        assert times == pytest.approx([k / FPS for k in range(COUNT - 10)], abs=0.001)
        assert film.lost == 10
        assert [p.pts / 1000 for p in film.near([0.1, 0.3])] == pytest.approx([0.1, 0.3], abs=0.001)
        assert len(list(film.between(0.1, 0.21))) == 4


def test_film_without_any_times_is_refused_for_that(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    matroska_from(path, -COUNT, "libx264")
    assert "carry no times" in refusal(path)


def test_times_that_go_back_are_lost(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"

    def back(pts: list[int]) -> list[int]:
        return [*pts[:8], pts[3], pts[9], pts[9], *pts[11:]]

    shifted(path, back)
    times, read = times_of(path)
    assert len(times) == COUNT - 2
    assert read.lost == 2


def test_time_far_beyond_the_stated_end_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    shifted(path, lambda pts: [*pts[:8], 3_000_000, *pts[9:]])
    film = bytearray(path.read_bytes())
    # The header of the muxer says what the latest time says: have it say one second, in its milliseconds.
    at = film.index(b"\x44\x89\x88") + 3
    film[at : at + 8] = struct.pack(">d", 1000.0)
    path.write_bytes(film)
    with Decoder(path, Limits()) as read:
        assert read.facts.stated_s == pytest.approx(1.0)
        times = [p.pts for p in read.pictures()]
        assert len(times) == COUNT - 1
        assert read.lost == 1


@pytest.mark.parametrize("stated", [1e300, float("inf"), float("nan"), -5.0, 9e7 * 1000])
def test_length_past_belief_is_not_believed(stated: float, tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    motion_jpeg(path)
    film = bytearray(path.read_bytes())
    at = film.index(b"\x44\x89\x88") + 3
    film[at : at + 8] = struct.pack(">d", stated)
    path.write_bytes(film)
    with Decoder(path, Limits()) as read:
        assert not read.facts.stated_s > read.limits.duration_s
        assert read.facts.duration_s == pytest.approx(COUNT / FPS, abs=0.1)
        assert len(list(read.pictures())) == COUNT
        assert 1 <= len(list(read.key_pictures(0.2))) <= 5


def test_frames_before_the_start_of_a_trimmed_film_are_not_lost(tmp_path: Path) -> None:
    """A phone that trims a film keeps the frames before its new start and marks them as not to be shown."""
    path = tmp_path / "film.mp4"
    ten = int(10 / FPS / TIME_BASE)
    write_film(path, pts=[t - ten for t in even_times()], muxing={"avoid_negative_ts": "disabled", "use_editlist": "1"})
    times, read = times_of(path)
    assert times == pytest.approx([k / FPS for k in range(COUNT - 10)])
    assert read.lost == 0


def test_same_frames_every_time(tmp_path: Path) -> None:
    """A damaged film too is the same each time, though several threads decode it."""
    path = tmp_path / "film.mp4"
    write_film(path, pts=even_times(60), gop=12)
    film = bytearray(path.read_bytes())
    rng = np.random.default_rng(3)
    for position, size in packets_of(path)[5::9]:
        for at in rng.integers(position + 5, position + size, 10):
            film[at] ^= int(rng.integers(1, 256))
    path.write_bytes(film)
    seen = []
    for _ in range(3):
        with Decoder(path, Limits()) as read:
            seen.append([(p.pts, *(plane.tobytes() for plane in read.planes(p))) for p in read.pictures()])
            # What would differ does so once in a thousand readings: one thread alone makes it certain.
            assert read.alone
            assert read.lost == 60 - len(seen[-1])
    assert seen[0]
    assert seen[0] == seen[1] == seen[2]


def test_part_that_begins_just_before_a_key_frame(tmp_path: Path) -> None:
    """With frames that are decoded in another order than shown, the key frame found may come after the time wanted."""
    path = tmp_path / "film.mp4"
    write_film(path, codec="libx265", pts=even_times(48))
    for k in range(1, 47):
        with Decoder(path, Limits()) as film:
            first = next(film.near([k / FPS - 0.001]))
            assert first.pts == round(k / FPS / TIME_BASE)


def test_pictures_are_what_was_filmed(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path)
    with Decoder(path, Limits()) as film:
        for k, got in enumerate(film.pictures()):
            y, _, _ = film.planes(got)
            wanted = av.VideoFrame.from_ndarray(picture(k), format="bgr24").reformat(format="yuv420p").to_ndarray()
            assert np.abs(y.astype(int) - wanted[:HEIGHT]).mean() < 3
