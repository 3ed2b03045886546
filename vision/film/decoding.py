"""Decoding a film: opening it under limits, its pictures in order of time or here and there, what was lost counted.

This runs in a process of its own (``vision.film.decoding_process``); ``vision.film.clip`` is what the rest of the
program uses.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import av

from calibration.errors import InputError
from vision.film.containers import DECODERS, container_format
from vision.film.film_facts import DECODING_THREADS, film_facts, video_stream
from vision.film.limits import Limits

if TYPE_CHECKING:
    from vision.film.planes import Planes

# A picture this long after the stated end of the film has a wrong time.
END_TOLERANCE_S = 1.0
FARTHEST = 2**62
# So many key frames are decoded at once when a film is glanced at.
KEYS_AT_ONCE = 4


class Decoder:
    """An open film. ``lost`` and ``gave_up`` are of the last pass with ``pictures``; progress calls ``alive``.

    A film is decoded by several threads until damage is met, and by one from there on (``alone``): what is put in for
    what is missing is copied from pictures that another thread may still be at, so that it would differ by chance.
    """

    def __init__(self, path: Path, limits: Limits, alive: Callable[[], None] = lambda: None) -> None:
        """Open a film. Raises InputError, in one sentence, for everything that is not read."""
        self.path = path
        self.limits = limits
        self.lost = 0
        self.gave_up = False
        self.alone = False
        self._alive = alive
        self._open()
        try:
            self.facts = film_facts(self._container, self._stream, path, limits, alive)
            # In units of time, since this is asked of every picture.
            latest_s = self.facts.start_s + self.facts.stated_s + END_TOLERANCE_S
            self._latest = latest_s / float(self._stream.time_base)
        except BaseException:
            self._container.close()
            raise

    def _open(self) -> None:
        kind = container_format(self.path)
        options = {"protocol_whitelist": "file", "codec_whitelist": ",".join(DECODERS)}
        try:
            # With its protocol before it a name is a name, whatever colons and commas it has.
            self._container: Any = av.open(f"file:{self.path}", format=kind, options=options, metadata_errors="replace")
        except (av.error.FFmpegError, OSError, ValueError) as error:
            why = f"{self.path}: the film cannot be opened; it may be cut off or damaged, copy it anew."
            raise InputError(why) from error
        try:
            self._stream = video_stream(self._container, self.path, self.limits, 1 if self.alone else DECODING_THREADS)
        except BaseException:
            self._container.close()
            raise

    def _rewind(self) -> None:
        """Go to the beginning; a file whose index is damaged, or whose times begin below 0, is opened anew for that."""
        if (self._container.start_time or 0) < 0:
            self._open_anew()
            return
        try:
            self._container.seek(0, backward=True)
        except av.error.FFmpegError:
            self._open_anew()

    def _open_anew(self) -> None:
        self._container.close()
        self._open()

    def _goes_alone(self, damaged: bool, decoded: Sequence[Any]) -> bool:
        """Open the film anew for one thread, where damage is met by several; whether it was."""
        if self.alone or not (damaged or any(picture.is_corrupt for picture in decoded)):
            return False
        self.alone = True
        self._open_anew()
        return True

    def _again_from(self, last_pts: int, keys: Sequence[tuple[int, int]]) -> tuple[Iterator[Any], int]:
        """Packets from the key frame before a picture on, and how many lie before them."""
        before = max((key for key in keys if key[0] <= last_pts), default=(last_pts, 0))
        packets = self._packets_from(before[0])
        first = next(packets, None)
        if first is None or first.pts != before[0]:
            # What the file says of where its key frames are is wrong.
            self._open_anew()
            return self._container.demux(self._stream), 0
        return chain([first], packets), before[1]

    def __enter__(self) -> "Decoder":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._container.close()

    def planes(self, picture: Any) -> "Planes":
        """The picture's planes; views where it is of ordinary film."""
        # Not before it is needed: see ``vision.film.slots``.
        from vision.film.planes import planes_of

        return planes_of(picture, self.facts.transfer)

    def pictures(self) -> Iterator[Any]:
        """All pictures in order of time; what cannot be decoded is passed over and counted."""
        self.lost, self.gave_up = 0, False
        read = packets_read = barren = 0
        last_pts = None
        taken_up_at = -FARTHEST
        # Of the packets of key frames: when they are shown, and how many packets lay before.
        keys: list[tuple[int, int]] = []
        self._rewind()
        packets = self._container.demux(self._stream)
        while True:
            decoded: Sequence[Any] = ()
            damaged = False
            try:
                packet = next(packets, None)
                if packet is None:
                    break
                if packet.is_keyframe and packet.pts is not None:
                    keys.append((packet.pts, packets_read))
                packets_read += packet.size > 0 and not packet.is_discard
                decoded = packet.decode()
            except av.error.EOFError:
                break
            except av.error.FFmpegError:
                damaged = True
            if last_pts is not None and self._goes_alone(damaged, decoded):
                taken_up_at = last_pts
                packets, packets_read = self._again_from(last_pts, keys)
                continue
            if damaged:
                self.lost += 1
                # Where the file itself is damaged the reading of packets has ended and is taken up again behind.
                packets = self._container.demux(self._stream)
            barren = 0 if decoded else barren + 1
            if barren > self.limits.broken_packets:
                self.gave_up = True
                return
            self._alive()
            for picture in decoded:
                if picture.pts is not None and picture.pts <= taken_up_at:
                    continue
                if not self._sound(picture) or (last_pts is not None and picture.pts <= last_pts):
                    self.lost += 1
                    continue
                last_pts = picture.pts
                read += 1
                yield picture
        # A decoder may drop frames after an error without a word: every packet holds one.
        self.lost = max(self.lost, packets_read - read)

    def near(self, targets_s: Sequence[float], slack_s: float = 0.0) -> Iterator[Any]:
        """For each time, in order, the last key frame that is no farther from it than ``slack_s``, which is decoded by
        itself; else the first picture at or after it, or the last before it where the film ends."""
        keys: list[Any] = []
        for target_s in targets_s:
            packet = self._key_packet(target_s + slack_s) if slack_s > 0 else None
            if packet is not None and abs(self._time_s(packet) - target_s) <= slack_s:
                keys.append(packet)
                if len(keys) == KEYS_AT_ONCE:
                    yield from self._decoded(keys)
                    keys = []
                continue
            yield from self._decoded(keys)
            keys, last = [], None
            try:
                for picture in self._from(target_s):
                    last = picture
                    if self._time_s(picture) >= target_s:
                        break
            except av.error.FFmpegError:
                pass
            if last is not None:
                yield last
        yield from self._decoded(keys)

    def between(self, from_s: float, until_s: float) -> Iterator[Any]:
        """Pictures of a part of the film, both ends included, in order of time."""
        last_pts = None
        try:
            for picture in self._from(from_s):
                if self._time_s(picture) > until_s:
                    return
                if self._time_s(picture) >= from_s and (last_pts is None or picture.pts > last_pts):
                    last_pts = picture.pts
                    yield picture
        except av.error.FFmpegError:
            return

    def key_pictures(self, every_s: float) -> Iterator[Any]:
        """Key frames, about every so many seconds, each decoded by itself: next to no work."""
        facts = self.facts
        lasts_s = facts.duration_s if math.isfinite(facts.duration_s) else 0.0
        keys: list[Any] = []
        last_pts = None
        for k in range(math.ceil(lasts_s / every_s)):
            packet = self._key_packet(facts.start_s + k * every_s)
            if packet is None or packet.pts == last_pts:
                continue
            last_pts = packet.pts
            keys.append(packet)
            if len(keys) == KEYS_AT_ONCE:
                yield from self._decoded(keys)
                keys = []
        yield from self._decoded(keys)

    def _key_packet(self, until_s: float) -> Any:
        """The packet of the last key frame up to a time; None when there is none."""
        self._alive()
        try:
            packets = self._packets_from(self._units(until_s))
            return next(
                (p for p in packets if p.is_keyframe and p.size and p.pts is not None and not p.is_discard), None
            )
        except av.error.FFmpegError:
            return None

    def _decoded(self, keys: Sequence[Any]) -> list[Any]:
        """Sound pictures of key frames' packets, several at once: that is as much faster as there are threads."""
        if not keys:
            return []
        together = self._by_time(keys)
        pictures = (together.get(p.pts) or self._by_time([p]).get(p.pts) for p in keys)
        return [picture for picture in pictures if picture is not None]

    def _by_time(self, keys: Sequence[Any]) -> dict[int, Any]:
        """What comes of packets fed one after the other to an empty decoder: sound pictures by their times in units."""
        codec = self._stream.codec_context
        found: list[Any] = []
        try:
            for packet in keys:
                found += codec.decode(packet)
            found += codec.decode(None)
        except av.error.FFmpegError:
            pass
        finally:
            codec.flush_buffers()
        return {picture.pts: picture for picture in found if self._sound(picture)}

    def _from(self, time_s: float) -> Iterator[Any]:
        """Sound pictures from the key frame before a time on; where damage is met some of them twice."""
        barren = 0
        for packet in self._packets_from(self._units(time_s)):
            damaged = False
            try:
                decoded = packet.decode()
            except av.error.EOFError:
                return
            except av.error.FFmpegError:
                decoded, damaged = [], True
            if self._goes_alone(damaged, decoded):
                yield from self._from(time_s)
                return
            self._alive()
            barren = 0 if decoded else barren + 1
            if barren > self.limits.broken_packets:
                return
            yield from (picture for picture in decoded if self._sound(picture))

    def _packets_from(self, units: int) -> Iterator[Any]:
        """Packets from the last key frame that is shown no later than a time.

        Files are searched by the time of decoding, so that the key frame found may be shown after the time wanted:
        then the one before it is looked for.
        """
        goal, before = units, None
        while True:
            try:
                self._container.seek(goal, stream=self._stream, backward=True)
            except av.error.FFmpegError:
                # Nothing of the file is to be found by a time this early, or by any.
                self._open_anew()
                return self._container.demux(self._stream)
            packets = self._container.demux(self._stream)
            first = next(packets, None)
            if first is None or first.pts is None or first.dts is None or first.pts <= units or first.dts == before:
                break
            goal, before = min(first.dts - 1, goal - 1), first.dts
        return chain([] if first is None else [first], packets)

    def _sound(self, picture: Any) -> bool:
        """Whether a picture is whole, of the film's size, and has a time that can be."""
        facts = self.facts
        if picture.pts is None or picture.is_corrupt or (picture.width, picture.height) != (facts.width, facts.height):
            return False
        return not picture.pts > self._latest

    def _time_s(self, picture: Any) -> float:
        # Not by the picture's own time base: a decoder that is emptied leaves it out.
        return float(picture.pts * self._stream.time_base)

    def _units(self, time_s: float) -> int:
        """A time in the stream's units, within what a file can be searched for."""
        return min(max(round(time_s / self._stream.time_base), -FARTHEST), FARTHEST)
