"""A clip as a stream of frames with exact times: opening, decoding, counting what was lost.

The container is told from the file's first bytes and given to the decoder by name, and only the file protocol is
allowed: a playlist that calls itself a video cannot open anything else.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError

Plane = NDArray[np.uint8]

# Broken packets in a row after which the rest of a clip is given up.
MOST_BROKEN_PACKETS = 200
DECODING_THREADS = 3
# A clip whose last frame stands this much before the end that its header states was cut.
CUT_TOLERANCE_S = 0.5
_PLANAR = {"yuv420p", "yuvj420p"}


@dataclass(frozen=True)
class Frame:
    """A decoded frame: luma plane at full size, colour planes at half size, and its time as (pts, time base)."""

    pts: int
    time_base: Fraction
    y: Plane
    u: Plane
    v: Plane

    @property
    def time_s(self) -> float:
        return float(self.pts * self.time_base)

    def bgr(self) -> NDArray[np.uint8]:
        """The picture (h, w, 3) as stored, not turned upright."""
        height, width = self.y.shape
        # The conversion takes even sizes only: an odd one is given its last line or column twice.
        y = np.pad(self.y, ((0, height % 2), (0, width % 2)), mode="edge")
        planes = np.concatenate([y.ravel(), self.u.ravel(), self.v.ravel()])
        stacked = planes.reshape(y.shape[0] * 3 // 2, y.shape[1])
        return cv2.cvtColor(stacked, cv2.COLOR_YUV2BGR_I420)[:height, :width]


@dataclass
class Clip:
    """An opened clip. ``frames_read``, ``frames_lost`` and ``last_s`` count as ``frames`` goes along.

    ``rotation_deg`` is the clockwise turn that shows the stored frame upright.
    """

    path: Path
    width: int
    height: int
    rotation_deg: int
    duration_s: float
    _container: Any = field(repr=False)
    _stream: Any = field(repr=False)
    frames_read: int = 0
    frames_lost: int = 0
    first_s: float = float("nan")
    last_s: float = float("nan")
    gave_up: bool = False

    @property
    def complete(self) -> bool:
        """Whether the film reaches the end that the file promises."""
        seen = self.last_s - self.first_s if self.frames_read else 0.0
        promised = self.duration_s
        return not self.gave_up and (not np.isfinite(promised) or seen >= promised - CUT_TOLERANCE_S)

    def frames(self) -> Iterator[Frame]:
        """Decode from the start, in order of time, skipping and counting what cannot be decoded."""
        self.frames_read = self.frames_lost = 0
        broken_in_a_row = packets_read = 0
        self._container.seek(0, backward=True)
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets, None)
                if packet is None:
                    # A decoder may drop frames after an error without a word: every packet holds one.
                    self.frames_lost = max(self.frames_lost, packets_read - self.frames_read)
                    return
                packets_read += packet.size > 0
                decoded = packet.decode()
            except av.error.EOFError:
                return
            except av.error.FFmpegError:
                self.frames_lost += 1
                broken_in_a_row += 1
                if broken_in_a_row > MOST_BROKEN_PACKETS:
                    self.gave_up = True
                    return
                continue
            for picture in decoded:
                broken_in_a_row = 0
                if picture.pts is None or picture.is_corrupt:
                    self.frames_lost += 1
                    continue
                frame = _frame(picture)
                self.frames_read += 1
                if self.frames_read == 1:
                    self.first_s = frame.time_s
                self.last_s = frame.time_s
                yield frame

    def stills(self, count: int, from_s: float = float("nan"), until_s: float = float("nan")) -> list[Frame]:
        """About ``count`` frames spread evenly over the clip, or over a part of it, in order of time."""
        pictures: list[Frame] = []
        start = self.start_s if np.isnan(from_s) else from_s
        end = (
            self.start_s + (self.duration_s if np.isfinite(self.duration_s) else 0.0) if np.isnan(until_s) else until_s
        )
        seen: set[int] = set()
        for k in range(count):
            picture = self._picture_near(start + (end - start) * (k + 0.5) / count)
            if picture is not None and picture.pts not in seen:
                seen.add(picture.pts)
                pictures.append(_frame(picture))
        return pictures

    def last_frames(self) -> list[Frame]:
        """The last frame, or the last that decodes, in a list; empty when no header says where the film ends."""
        if not np.isfinite(self.duration_s):
            return []
        return self.stills(1, self.start_s + self.duration_s, self.start_s + self.duration_s)

    def glances(self, every_s: float) -> Iterator[Frame]:
        """Key frames, about every so many seconds, each decoded by itself: next to no work."""
        codec = self._stream.codec_context
        end = self.start_s + (self.duration_s if np.isfinite(self.duration_s) else 0.0)
        last_pts = None
        for target_s in np.arange(self.start_s, end, every_s):
            try:
                self._container.seek(round(target_s / self._stream.time_base), stream=self._stream, backward=True)
                packet = next((p for p in self._container.demux(self._stream) if p.is_keyframe and p.size), None)
                if packet is None or packet.pts == last_pts:
                    continue
                last_pts = packet.pts
                pictures = codec.decode(packet) + codec.decode(None)
            except av.error.FFmpegError:
                continue
            finally:
                codec.flush_buffers()
            for picture in pictures[:1]:
                if picture.pts is not None and not picture.is_corrupt:
                    # A decoder that is emptied leaves the time base out.
                    picture.time_base = self._stream.time_base
                    yield _frame(picture)

    def frames_between(self, from_s: float, until_s: float) -> Iterator[Frame]:
        """Frames of a part of the clip, both ends included, in order of time."""
        try:
            self._container.seek(round(from_s / self._stream.time_base), stream=self._stream, backward=True)
            for picture in self._container.decode(self._stream):
                if picture.pts is None or picture.is_corrupt or picture.time < from_s:
                    continue
                if picture.time > until_s:
                    return
                yield _frame(picture)
        except av.error.FFmpegError:
            return

    @property
    def start_s(self) -> float:
        """When the first frame is shown, by the header."""
        return float(self._stream.start_time or 0) * float(self._stream.time_base)

    def _picture_near(self, target_s: float) -> Any:
        """The first picture at or after a time, or the last one before it when the file ends there."""
        last = None
        try:
            self._container.seek(round(target_s / self._stream.time_base), stream=self._stream, backward=True)
            for picture in self._container.decode(self._stream):
                if picture.pts is None or picture.is_corrupt:
                    continue
                last = picture
                if picture.time >= target_s:
                    break
        except av.error.FFmpegError:
            pass
        return last


@contextmanager
def open_clip(path: Path) -> Iterator[Clip]:
    """Open a clip for reading.

    Raises InputError when the file is missing, is not an MP4, MOV or MKV film, or holds no picture that decodes.
    """
    container_format = _container_format(path)
    try:
        container = av.open(
            str(path), format=container_format, options={"protocol_whitelist": "file"}, metadata_errors="replace"
        )
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise InputError(f"{path}: the film cannot be opened; it may be cut off or damaged, copy it anew.") from error
    with container:
        if not container.streams.video:
            raise InputError(f"{path}: the file holds no video; give a film of the table.")
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = DECODING_THREADS
        first = _first_picture(container, stream, path)
        duration = stream.duration * Fraction(stream.time_base or 1) if stream.duration else None
        if duration is None and container.duration:
            # Without a duration of its stream (Matroska), the file's says when it ends, counted from time 0.
            duration = Fraction(container.duration - max(container.start_time or 0, 0), av.time_base)
        yield Clip(
            path=path,
            width=first.width,
            height=first.height,
            rotation_deg=-int(getattr(first, "rotation", 0)) % 360,
            duration_s=float(duration) if duration else float("nan"),
            _container=container,
            _stream=stream,
        )


def _first_picture(container: Any, stream: Any, path: Path) -> Any:
    try:
        for picture in container.decode(stream):
            return picture
    except av.error.FFmpegError:
        pass
    raise InputError(f"{path}: not one frame of the film can be decoded; it may be cut off or damaged, copy it anew.")


def _container_format(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except OSError as error:
        raise InputError(f"{path}: the film cannot be read ({error.strerror}).") from error
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"):
        return "mov"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "matroska"
    raise InputError(f"{path}: this is not a film in an MP4, MOV or MKV file; convert it to one of these.")


def _frame(picture: Any) -> Frame:
    if picture.format.name not in _PLANAR:
        picture = picture.reformat(format="yuv420p")
    y, u, v = (
        np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]
        for plane in picture.planes
    )
    return Frame(picture.pts, picture.time_base, y, u, v)
