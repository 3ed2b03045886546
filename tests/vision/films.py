"""Little films made for the tests of the reader: each frame's brightness and a moving bar say which one it is."""

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

TIME_BASE = Fraction(1, 90000)
WIDTH, HEIGHT, COUNT, FPS = 96, 64, 24, 30


def picture(k: int, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    """Frame ``k`` as BGR: a bluish ground and a bar that goes from left to right, a dozen places."""
    image = np.empty((height, width, 3), np.uint8)
    image[:] = (150, 90, 60)
    image[:, (k % 12) * width // 12 : (k % 12 + 1) * width // 12] = (40, 200, 240)
    return image


def even_times(count: int = COUNT, fps: int = FPS) -> list[int]:
    """Presentation times in units of ``TIME_BASE``."""
    return [round(k / fps / TIME_BASE) for k in range(count)]


# What makes each encoder quick and quiet.
OPTIONS = {
    "libx264": {"crf": "12", "preset": "ultrafast", "threads": "1"},
    "libx265": {"crf": "12", "preset": "ultrafast", "x265-params": "log-level=none:pools=none:frame-threads=1"},
    # Hidden pictures from which others are predicted, as in the films that sites make.
    "libvpx-vp9": {"crf": "12", "cpu-used": "8", "auto-alt-ref": "1", "lag-in-frames": "12"},
    "libsvtav1": {"preset": "12"},
}


def write_film(
    path: Path,
    *,
    pts: list[int] | None = None,
    size: tuple[int, int] = (WIDTH, HEIGHT),
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    container: str = "mp4",
    gop: int = 6,
    index_first: bool = False,
    transfer: int | None = None,
    pixel_aspect: Fraction | None = None,
    muxing: dict[str, str] | None = None,
    coded: Callable[[NDArray[np.uint8]], NDArray[np.float64]] | None = None,
    woven: bool = False,
) -> list[int]:
    """Encode pictures at the times given; returns those times. ``index_first`` puts an MP4's index before the data.

    ``woven`` makes it interlaced (H.264): every other line, from the second on, is of the next picture.
    ``transfer`` is the code of a transfer function that the film is marked with; ``coded`` puts a picture through one.
    """
    pts = even_times() if pts is None else pts
    options = ({"movflags": "faststart"} if index_first else {}) | (muxing or {})
    with av.open(str(path), "w", format=container, options=options) as film:
        stream = film.add_stream(codec, rate=FPS)
        stream.width, stream.height = size
        stream.pix_fmt = pix_fmt
        stream.time_base = stream.codec_context.time_base = TIME_BASE
        stream.codec_context.gop_size = gop
        stream.options = OPTIONS.get(codec, {}) | ({"x264-params": "tff=1"} if woven else {})
        if transfer is not None:
            stream.codec_context.color_trc = transfer
        if pixel_aspect is not None:
            stream.codec_context.sample_aspect_ratio = pixel_aspect
        for k, time in enumerate(pts):
            image = picture(k, *size)
            if woven:
                image[1::2] = picture(k + 1, *size)[1::2]
            image = image if coded is None else np.rint(coded(image)).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(image, format="bgr24").reformat(format=pix_fmt)
            frame.pts, frame.time_base = time, TIME_BASE
            if transfer is not None:
                frame.color_trc = transfer
            film.mux(stream.encode(frame))
        film.mux(stream.encode())
    return pts


def remux(source: Path, goal: Path, container: str) -> None:
    """Put a film's packets into another container as they are."""
    with av.open(str(source)) as film, av.open(str(goal), "w", format=container) as out:
        stream = out.add_stream_from_template(film.streams.video[0])
        for packet in film.demux(film.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                out.mux(packet)


def write_sound(path: Path) -> None:
    """An MP4 with half a second of sound and no picture."""
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("aac", rate=44100)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 22050), np.float32), format="flt", layout="mono")
        sound.sample_rate, sound.pts = 44100, 0
        resampled = av.AudioResampler(format="fltp", layout="mono", rate=44100, frame_size=1024).resample(sound)
        for piece in resampled:
            out.mux(stream.encode(piece))
        out.mux(stream.encode())


def turned(film: bytes, clockwise_deg: int) -> bytes:
    """The same MP4 with a rotation flag: the matrix of the track header ('tkhd', ISO/IEC 14496-12, layout from memory)
    set to a clockwise turn (x right, y down)."""
    return shown_by(film, *{0: (1, 0, 0, 1), 90: (0, 1, -1, 0), 180: (-1, 0, 0, -1), 270: (0, -1, 1, 0)}[clockwise_deg])


def shown_by(film: bytes, a: int, b: int, c: int, d: int) -> bytes:
    """The same MP4 with that matrix in its track header."""
    one = 0x10000
    matrix = np.array([a * one, b * one, 0, c * one, d * one, 0, 0, 0, 0x40000000], ">i4").tobytes()
    at = film.index(b"tkhd") + 4 + 40
    return film[:at] + matrix + film[at + 36 :]


def packets_of(path: Path) -> list[tuple[int, int]]:
    """Where the film's packets stand in the file: (position, size)."""
    with av.open(str(path)) as film:
        return [(int(p.pos or 0), p.size) for p in film.demux(film.streams.video[0]) if p.size]
