"""What is known of a film once it is open: its pictures' size and turn, its times, how its brightness is coded.

Everything that a header states is doubted: what cannot be is refused, or found by going through the file.
"""

import math
import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from calibration.errors import InputError
from vision.film.containers import DECODERS, HLG, PQ
from vision.film.limits import Limits

# Each thread has pictures of its own under way; one core is left to the reader where there are more than two.
DECODING_THREADS = max(3, min(4, (os.cpu_count() or 2) - 1))
# Pixels may be so much wider than high, or higher than wide, and still count as square.
SQUARE_TOLERANCE = 0.01


@dataclass(frozen=True)
class FilmFacts:
    """What is known of a film once it is open.

    Attributes
    ----------
    width, height : of the pictures as stored.
    rotation_deg : clockwise turn, 0, 90, 180 or 270, that shows them upright.
    time_base : seconds of one unit of time, numerator and denominator.
    start_s : when the first picture is shown.
    stated_s : duration by the header; NaN without one, or with one past belief.
    duration_s : the same, or found by going through the file.
    transfer : code of the transfer characteristics (ISO/IEC 23091-2) if of high dynamic range, else 0.
    interlaced : whether each picture is woven of two moments, every other line of the later one.
    films : how many films the file holds beside one another, this one among them.
    """

    width: int
    height: int
    rotation_deg: int
    time_base: tuple[int, int]
    start_s: float
    stated_s: float
    duration_s: float
    transfer: int
    interlaced: bool
    films: int


def films_of(container: Any) -> list[Any]:
    """The streams with films, the one to be read first; not the cover of a sound file.

    That is the one with the most pixels of those in a codec that is read: some files hold a small copy beside it, for a
    preview, or a second camera's picture. Of equal ones it is the one that players show.
    """
    covers, shown = av.stream.Disposition.attached_pic, av.stream.Disposition.default

    def worth(stream: Any) -> tuple[bool, int, bool]:
        codec = stream.codec_context
        if codec is None or codec.name not in DECODERS:
            return False, 0, bool(stream.disposition & shown)
        return True, codec.width * codec.height, bool(stream.disposition & shown)

    return sorted((s for s in container.streams.video if not s.disposition & covers), key=worth, reverse=True)


def video_stream(container: Any, path: Path, limits: Limits, threads: int) -> Any:
    """The stream with the film, ready to be decoded by so many threads. Raises InputError."""
    streams = films_of(container)
    if not streams:
        raise InputError(f"{path}: the file holds no video; give a film of the table.")
    stream = streams[0]
    codec = stream.codec_context
    if codec is None or codec.name not in DECODERS:
        raise InputError(f"{path}: the film is in a codec that is not read; convert it to H.264, HEVC, VP9 or AV1.")
    stream.thread_type = "AUTO"
    codec.thread_count = threads
    # The decoder counts lines with their padding; this is for frames that state another size than the file does.
    codec.options = {"max_pixels": str(2 * limits.pixels)}
    _check_size(path, codec.width, codec.height, limits)
    return stream


def film_facts(container: Any, stream: Any, path: Path, limits: Limits, alive: Callable[[], None]) -> FilmFacts:
    """Facts of a film, its first picture decoded for them. Raises InputError for what is not read."""
    first = _first_picture(container, stream, path, limits, alive)
    _check_size(path, first.width, first.height, limits)
    if first.pts is None and not _timed(container, stream, alive):
        raise InputError(
            f"{path}: the film's pictures carry no times, which a Matroska file loses below 0; copy it from the "
            "original anew, with times from 0 on."
        )
    _check_shown_as_it_is(path, stream, first)
    transfer = int(stream.codec_context.color_trc or 0)
    start_s = float(stream.start_time or 0) * float(stream.time_base)
    stated_s = _stated_s(container, stream, limits)
    found_s = stated_s if math.isfinite(stated_s) else _end_s(container, stream, limits, alive) - start_s
    return FilmFacts(
        width=first.width,
        height=first.height,
        rotation_deg=round(-float(getattr(first, "rotation", 0)) / 90) * 90 % 360,
        time_base=(stream.time_base.numerator, stream.time_base.denominator),
        start_s=start_s,
        stated_s=stated_s,
        duration_s=found_s,
        transfer=transfer if transfer in (PQ, HLG) else 0,
        interlaced=bool(first.interlaced_frame),
        films=len(films_of(container)),
    )


def _check_shown_as_it_is(path: Path, stream: Any, first: Any) -> None:
    """Refuse a film that is to be shown stretched or mirrored: its pictures are not what a camera sees."""
    aspect = float(stream.sample_aspect_ratio or 1) or 1.0
    if abs(math.log(aspect)) > SQUARE_TOLERANCE:
        width, height = first.width, first.height
        shown = (round(width * aspect), height) if aspect > 1 else (width, round(height / aspect))
        raise InputError(
            f"{path}: the film's pictures of {width} x {height} pixels are marked to be shown as {shown[0]} x "
            f"{shown[1]}: its pixels are not square, or its header is damaged; convert it to square pixels."
        )
    if _mirrored(first):
        raise InputError(
            f"{path}: the film is marked to be shown mirrored, so it cannot be told which rail is the left one; film "
            "without mirroring, or convert it so that it is stored as the table is."
        )


def _mirrored(picture: Any) -> bool:
    """Whether a picture's display matrix (ISO/IEC 14496-12: a b u, c d v, x y w) exchanges left and right."""
    matrix = picture.side_data.get("DISPLAYMATRIX")
    if matrix is None:
        return False
    a, b, _, c, d = struct.unpack("=5i", bytes(matrix)[:20])
    return bool(a * d < b * c)


def _check_size(path: Path, width: int, height: int, limits: Limits) -> None:
    if width * height > limits.pixels:
        raise InputError(
            f"{path}: the film's pictures of {width} x {height} pixels are too large; film in 4K or below."
        )


def _stated_s(container: Any, stream: Any, limits: Limits) -> float:
    duration = stream.duration * stream.time_base if stream.duration else None
    if duration is None and container.duration:
        # Without a duration of its stream (Matroska), the file's says when it ends, counted from time 0.
        duration = Fraction(container.duration - (container.start_time or 0), av.time_base)
    if duration is None or not 0 < duration <= limits.duration_s:
        return float("nan")
    return float(duration)


def _end_s(container: Any, stream: Any, limits: Limits, alive: Callable[[], None]) -> float:
    """When the last picture ends, by going through the file without decoding; NaN when no packet has a time."""
    end = None
    try:
        container.seek(min(container.start_time or 0, 0), backward=True)
        for packet in container.demux(stream):
            alive()
            if packet.pts is not None:
                end = max(end or 0, packet.pts + (packet.duration or 0))
    except av.error.FFmpegError:
        pass
    end_s = float("nan") if end is None else float(end * stream.time_base)
    return end_s if abs(end_s) < limits.duration_s else float("nan")


def _timed(container: Any, stream: Any, alive: Callable[[], None]) -> bool:
    """Whether any of the packets still to come has a time."""
    try:
        for packet in container.demux(stream):
            alive()
            if packet.pts is not None:
                return True
    except av.error.FFmpegError:
        pass
    return False


def _first_picture(container: Any, stream: Any, path: Path, limits: Limits, alive: Callable[[], None]) -> Any:
    try:
        for barren, packet in enumerate(container.demux(stream)):
            alive()
            try:
                decoded = packet.decode()
            except av.error.EOFError:
                break
            except av.error.FFmpegError:
                decoded = []
            for picture in decoded:
                return picture
            if barren > limits.broken_packets:
                break
    except av.error.FFmpegError:
        pass
    raise InputError(f"{path}: not one frame of the film can be decoded; it may be cut off or damaged, copy it anew.")
