"""A clip as a stream of frames with exact times: opening, reading through, looking here and there, what was lost.

Films come from anybody, so none is decoded in this process: another one does it (``vision.film.decoding_process``),
within limits, and hands the frames over in shared memory. While one frame is looked at here the next ones are decoded
there.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from vision.film.containers import HLG, PQ
from vision.film.decoder_link import DecoderEndedError, DecoderLink, End, Received
from vision.film.gaps import Gaps
from vision.film.limits import Limits
from vision.film.planes import Plane, Planes, of_one_moment, planes_in
from vision.film.siting import MIDDLE, SIDE, colour_place

# A clip whose last frame stands this much before the end that its header states was cut.
CUT_TOLERANCE_S = 0.5
# Key frames, spread over the film, that tell where its colour samples stand.
SITING_FRAMES = 3
# Frames here and there that are kept, since they will be asked for again: one for each of so many equal stretches.
KEPT_FRAMES = 16
# What is to be said of a film whose pictures are woven of two moments.
INTERLACED = (
    "the film is interlaced: of what moves only every other line was read, those of one moment; film without it for "
    "better pictures"
)
# Where colour samples stand for all that is known before a film was looked at.
UNTOLD = (MIDDLE, MIDDLE)


@dataclass(frozen=True)
class Frame:
    """A decoded frame: luma plane at full size, colour planes at half size, and its time as (pts, time base).

    ``colour_at_px`` says where in the luma plane the first colour sample stands, (x, y) pixels.
    """

    pts: int
    time_base: Fraction
    y: Plane
    u: Plane
    v: Plane
    colour_at_px: tuple[float, float] = UNTOLD

    @property
    def time_s(self) -> float:
        # As exact as the fraction, and at once: this is asked several times a frame.
        return self.pts * self.time_base.numerator / self.time_base.denominator

    def bgr(self) -> NDArray[np.uint8]:
        """The picture (h, w, 3) as stored, not turned upright."""
        height, width = self.y.shape
        # The conversion takes even sizes only: an odd one is given its last line or column twice.
        y = np.pad(self.y, ((0, height % 2), (0, width % 2)), mode="edge")
        # And it takes colour samples to stand in the middle of their four pixels.
        u, v = (_in_the_middle(plane, self.colour_at_px) for plane in (self.u, self.v))
        planes = np.concatenate([y.ravel(), u.ravel(), v.ravel()])
        stacked = planes.reshape(y.shape[0] * 3 // 2, y.shape[1])
        return cv2.cvtColor(stacked, cv2.COLOR_YUV2BGR_I420)[:height, :width]


@dataclass
class Clip:
    """An opened clip. ``frames_read``, ``frames_lost``, ``gaps`` and ``last_s`` count as ``frames`` goes along.

    ``rotation_deg`` is the clockwise turn that shows the stored frame upright. ``warnings`` are about the film itself.
    ``woven``: frames are to be brought to one moment each, for a film that is interlaced without saying so.
    Frames lie in memory that is used again once they are let go; those that are kept are safe, and cost a copy.
    Some glances and stills are kept until the film is read through: what is asked for again is not decoded again.
    """

    path: Path
    width: int
    height: int
    rotation_deg: int
    start_s: float
    duration_s: float
    stated_s: float
    time_base: Fraction
    warnings: tuple[str, ...]
    limits: Limits
    _link: DecoderLink | None = field(repr=False)
    frames_read: int = 0
    frames_lost: int = 0
    gaps: Gaps = field(default_factory=Gaps)
    first_s: float = float("nan")
    last_s: float = float("nan")
    woven: bool = False
    gave_up: bool = False
    died: str = ""
    _starts: int = field(default=1, repr=False)
    _kept: dict[int, Frame] = field(default_factory=dict, repr=False)
    _colour_at_px: tuple[float, float] | None = field(default=None, repr=False)

    @property
    def complete(self) -> bool:
        """Whether the film reaches the end that the file promises."""
        seen = self.last_s - self.first_s if self.frames_read else 0.0
        return not self.gave_up and (not np.isfinite(self.stated_s) or seen >= self.stated_s - CUT_TOLERANCE_S)

    @property
    def whole(self) -> bool:
        """Whether it is complete, and damage has left out no stretch of it."""
        return self.complete and not (self.frames_lost and self.gaps.count)

    def frames(self) -> Iterator[Frame]:
        """Decode from the start, in order of time, skipping and counting what cannot be decoded.

        When the decoder ends midway the frames end there, and ``died`` says why; InputError when there is not one.
        """
        self._site()
        self.frames_read = self.frames_lost = 0
        self.gaps = Gaps()
        self.gave_up, self.died = False, ""
        self._kept.clear()
        try:
            for frame in self._ask("frames"):
                self.frames_read += 1
                if self.frames_read == 1:
                    self.first_s = frame.time_s
                else:
                    self.gaps = self.gaps.after(self.last_s, frame.time_s)
                self.last_s = frame.time_s
                yield frame
        except DecoderEndedError as death:
            if not self.frames_read:
                why = f"{self.path}: reading the film failed, {death}; copy it anew or convert it."
                raise InputError(why) from death
            self.gave_up, self.died = True, str(death)

    def stills(self, count: int, from_s: float = float("nan"), until_s: float = float("nan")) -> list[Frame]:
        """About ``count`` frames spread evenly over the clip, or over a part of it, in order of time."""
        self._site()
        start = self.start_s if np.isnan(from_s) else from_s
        end = (
            self.start_s + (self.duration_s if np.isfinite(self.duration_s) else 0.0) if np.isnan(until_s) else until_s
        )
        slack_s = (end - start) / count / 2 if count else 0.0
        targets = [float(start + slack_s * (2 * k + 1)) for k in range(count)]
        pictures: dict[int, Frame] = {}
        wanted = []
        for target in targets:
            kept = [f for f in self._kept.values() if abs(f.time_s - target) <= slack_s]
            if kept:
                last = max(kept, key=lambda f: f.pts)
                pictures[last.pts] = last
            else:
                wanted.append(target)
        if wanted:
            # A key frame, which is decoded by itself, stands for its stretch of the film if there is one.
            for frame in self._some("near", at_s=wanted, slack_s=slack_s):
                pictures.setdefault(frame.pts, frame)
                if slack_s > 0:
                    self._keep(frame)
        return [pictures[pts] for pts in sorted(pictures)]

    def last_frames(self) -> list[Frame]:
        """The last frame, or the last that decodes, in a list; empty when nothing says where the film ends."""
        if not np.isfinite(self.duration_s):
            return []
        return self.stills(1, self.start_s + self.duration_s, self.start_s + self.duration_s)

    def glances(self, every_s: float) -> Iterator[Frame]:
        """Key frames, about every so many seconds, each decoded by itself: next to no work.

        Those of the first such pass do not know yet where their colour samples stand; they serve to tell.
        """
        for frame in self._some("key_frames", every_s=every_s):
            self._keep(frame)
            yield frame

    def _keep(self, frame: Frame) -> None:
        """Keep a frame for its stretch of the film, in place of the one before; the last one goes on past the end."""
        stretch = int((frame.time_s - self.start_s) / self.duration_s * KEPT_FRAMES)
        self._kept[min(stretch, KEPT_FRAMES - 1)] = frame

    def frames_between(self, from_s: float, until_s: float) -> Iterator[Frame]:
        """Frames of a part of the clip, both ends included, in order of time."""
        self._site()
        return self._some("between", from_s=from_s, until_s=until_s)

    @property
    def colour_at_px(self) -> tuple[float, float]:
        """Where in the luma plane the first colour sample stands, (x, y) pixels."""
        self._site()
        return self._colour_at_px or UNTOLD

    def _site(self) -> None:
        """Tell where the colour samples stand, by glances that were kept if there are; frames know it from then on."""
        if self._colour_at_px is not None:
            return
        self._colour_at_px = UNTOLD
        kept, every_s = list(self._kept.values()), self.duration_s / SITING_FRAMES
        if len(kept) >= SITING_FRAMES:
            self._colour_at_px = colour_place(
                _planes(kept[k * len(kept) // SITING_FRAMES]) for k in range(SITING_FRAMES)
            )
        elif every_s > 0:
            self._colour_at_px = colour_place(_planes(f) for f in self._some("key_frames", every_s=every_s))
        self._kept = {k: replace(frame, colour_at_px=self._colour_at_px) for k, frame in self._kept.items()}

    def _some(self, do: str, **what: Any) -> Iterator[Frame]:
        """The frames asked for, or those before the decoder died of one."""
        try:
            yield from self._ask(do, **what)
        except DecoderEndedError:
            return

    def _ask(self, do: str, **what: Any) -> Iterator[Frame]:
        """The frames asked for; a decoder that ended before it gave one is started anew, and asked once more."""
        came = False
        for last_try in (False, True):
            link = self._running()
            try:
                for got in link.ask(do, **what):
                    if isinstance(got, End):
                        self._take_end(do, got)
                        return
                    came = True
                    frame = self._frame(got, link.crowded)
                    if do == "frames":
                        self.frames_lost = got.lost
                    del got
                    yield frame
                    del frame
            except DecoderEndedError:
                link.close()
                self._link = None
                if came or last_try:
                    raise

    def _take_end(self, do: str, end: End) -> None:
        if do == "frames":
            self.frames_lost, self.gave_up = end.lost, end.gave_up

    def _frame(self, got: Received, copied: bool) -> Frame:
        y, u, v = planes_in(got.memory, self.width, self.height)
        if copied:
            y, u, v = y.copy(), u.copy(), v.copy()
        if self.woven:
            y, u, v = map(of_one_moment, (y, u, v))
        return Frame(got.pts, self.time_base, y, u, v, self._colour_at_px or UNTOLD)

    def _running(self) -> DecoderLink:
        """The decoder, started anew if it ended by itself. Raises DecoderEndedError when it did so too often."""
        if self._link is not None and self._link.ended:
            self._link.close()
            self._link = None
        if self._link is None:
            if self._starts > self.limits.restarts:
                raise DecoderEndedError("the decoder ended again and again")
            self._starts += 1
            self._link = DecoderLink(self.path, self.limits)
        return self._link

    def _close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None
        self._starts = self.limits.restarts + 1


@contextmanager
def open_clip(path: Path, limits: Limits | None = None) -> Iterator[Clip]:
    """Open a clip for reading, within limits.

    Raises InputError when the file is missing, is not a film in an MP4, MOV or MKV file, holds no picture that decodes,
    or asks for more than the limits allow.
    """
    limits = limits or Limits()
    link = DecoderLink(path, limits)
    facts = link.facts
    clip = Clip(
        path=path,
        width=int(facts["width"]),
        height=int(facts["height"]),
        rotation_deg=int(facts["rotation_deg"]) % 360,
        start_s=float(facts["start_s"]),
        duration_s=float(facts["duration_s"]),
        stated_s=float(facts["stated_s"]),
        time_base=Fraction(*facts["time_base"]),
        warnings=_warnings(facts),
        limits=limits,
        _link=link,
    )
    try:
        yield clip
    finally:
        clip._close()


def _planes(frame: Frame) -> Planes:
    return frame.y, frame.u, frame.v


def _in_the_middle(colour: Plane, at_px: tuple[float, float]) -> Plane:
    """A colour plane as it would be with its samples in the middle of their four pixels: a quarter sample farther."""
    quarter = np.array([0.0, 0.75, 0.25], np.float32)
    whole = np.array([0.0, 1.0, 0.0], np.float32)
    if SIDE not in at_px:
        return colour
    across, down = (quarter if at == SIDE else whole for at in at_px)
    return cv2.sepFilter2D(colour, -1, across, down, borderType=cv2.BORDER_REPLICATE)


def _warnings(facts: dict[str, Any]) -> tuple[str, ...]:
    """What is to be said of a film by what is known of it, one sentence for each thing."""
    out = []
    if facts["transfer"] == PQ:
        out.append("the film is coded for displays of high dynamic range (PQ); it was brought to the ordinary range")
    if facts["transfer"] == HLG:
        out.append("the film is coded for displays of high dynamic range (HLG); it was read as ordinary film")
    if facts["interlaced"]:
        out.append(INTERLACED)
    if facts["films"] > 1:
        size = f"{facts['width']} x {facts['height']}"
        out.append(f"the file holds {facts['films']} films; the largest was read, of {size} pixels")
    return tuple(out)
