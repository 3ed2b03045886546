"""The reader's end of the decoding process: starting it, asking it, waiting no longer than is allowed, ending it.

A process is started anew, never forked, with few variables of its surroundings; it is told nothing but the film's path
and its limits, and what it answers is lines of JSON and numbers of slots.
"""

import json
import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from vision.film.containers import container_format
from vision.film.limits import Limits
from vision.film.shared_ring import Ring
from vision.film.slots import frame_bytes

# With fewer slots than this left to decode into, a frame is copied and its slot given back at once.
SPARE_SLOTS = 4
# Slots are given back so many at a time, or fewer before an answer is waited for while the decoder has only a few.
FREED_TOGETHER, FEW_SLOTS = 4, 2
# No more than a few answers are ever under way, and none is nearly as long as this.
AT_ONCE_BYTES = 65_536
# How often it is seen to that nobody waits for an answer longer than is allowed.
WATCH_S = 0.25
_KEPT_VARIABLES = ("PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "SYSTEMROOT", "TMPDIR", "TEMP", "TMP", "PYTHONHOME")
# One pool of memory for all threads, and no threads for sums that are never done.
_VARIABLES = {"MALLOC_ARENA_MAX": "2", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


class DecoderEndedError(Exception):
    """The decoding process ended by itself, or had to be ended; the text says how, as part of a sentence."""


@dataclass(frozen=True)
class Received:
    """One frame as it comes: the slot's memory, its time in units, and how many have been lost so far."""

    memory: NDArray[np.uint8]
    pts: int
    lost: int


@dataclass(frozen=True)
class End:
    lost: int
    gave_up: bool


@dataclass(frozen=True, eq=False)
class _Wait:
    """One wait for an answer, no other, and how long it may last, seconds."""

    within_s: float


class DecoderLink:
    """A running decoding process with one film open."""

    def __init__(self, path: Path, limits: Limits) -> None:
        """Start it and wait until the film is open. Raises InputError when it is refused, or takes too much."""
        self.path = path
        self.limits = limits
        container_format(path)
        self._unread: deque[bytes] = deque()
        self._begun = b""
        self._waiting: _Wait | None = None
        self._late = False
        self._closed = threading.Event()
        self._request = 0
        self._ring = Ring()
        try:
            self._process = subprocess.Popen(
                [
                    *(sys.executable, "-P", "-m", "vision.film.decoding_process"),
                    *(str(path), self._ring.handle, json.dumps(asdict(limits))),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                pass_fds=self._ring.inherited,
                env=_surroundings(),
            )
        except (OSError, ValueError) as error:
            self._ring.close()
            raise InputError(f"{path}: the process that decodes films cannot be started ({error}).") from error
        self._watch = threading.Thread(target=self._end_it_when_late, daemon=True)
        self._watch.start()
        try:
            try:
                self.facts = self._answer(limits.start_s)
            except DecoderEndedError as death:
                raise InputError(f"{path}: opening the film failed, {death}; copy it anew or convert it.") from death
            width, height = int(self.facts["width"]), int(self.facts["height"])
            if not (width > 0 and height > 0 and width * height <= limits.pixels):
                raise InputError(f"{path}: the film's size of {width} x {height} pixels cannot be.")
            self._ring.size(frame_bytes(width, height))
        except BaseException:
            self.close()
            raise

    def ask(self, do: str, **what: Any) -> Iterator[Received | End]:
        """Put a request, which ends the one before it, and take in its frames and then its end.

        Raises DecoderEndedError when the process ends or does not get any further.
        """
        self._request += 1
        request = self._request
        self._send({"id": request, "do": do, **what})
        while True:
            if request != self._request:
                raise RuntimeError("only one pass over a film at a time: another one was begun before this one ended")
            if len(self._ring.freed) >= FREED_TOGETHER:
                self._give_back()
            answer = self._answer(self.limits.stall_s)
            slot = answer.get("slot")
            if answer.get("id") != request:
                # Left over from a request that nobody waits for any more.
                if slot is not None:
                    self._ring.freed.append(slot)
                continue
            received = self._received(answer)
            del answer
            yield received
            if slot is None:
                return
            # What is held here would keep the slot from being free.
            del received

    def _received(self, answer: dict[str, Any]) -> Received | End:
        try:
            if answer.get("slot") is None:
                return End(int(answer["lost"]), bool(answer["gave_up"]))
            return Received(self._ring.view(answer["slot"]), int(answer["pts"]), int(answer["lost"]))
        except (KeyError, TypeError, ValueError):
            self._give_up()

    @property
    def ended(self) -> bool:
        """Whether the process is no longer there."""
        return self._process.poll() is not None

    @property
    def crowded(self) -> bool:
        """Whether so many frames are being kept that the next ones should be copied."""
        return self._ring.out > self._ring.slots - SPARE_SLOTS

    def close(self) -> None:
        """End the process, wherever it is, and free the memory."""
        self._closed.set()
        self._process.kill()
        self._process.wait()
        self._watch.join()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._ring.close()

    def _end_it_when_late(self) -> None:
        """Runs beside: ends the process when an answer is overdue, which ends the waiting for it.

        Time is counted by looks: the clock goes on while both processes are stopped, or the machine sleeps.
        """
        seen, looks = None, 0
        while not self._closed.wait(WATCH_S):
            waiting = self._waiting
            looks = looks + 1 if waiting is seen else 0
            seen = waiting
            if waiting is not None and looks * WATCH_S >= waiting.within_s:
                self._late = True
                self._process.kill()
                return

    def _line(self, within_s: float) -> bytes:
        """The next line of answers; those that came together are taken in at once."""
        assert self._process.stdout is not None
        while not self._unread:
            if self._ring.slots - self._ring.out - len(self._ring.freed) <= FEW_SLOTS:
                # It may be waiting for one of these.
                self._give_back()
            self._waiting = _Wait(within_s)
            try:
                came = os.read(self._process.stdout.fileno(), AT_ONCE_BYTES)
                code = None if came else self._process.wait()
            finally:
                self._waiting = None
            if code is not None:
                late = f"the decoder did not get any further for {within_s:.0f} s"
                raise DecoderEndedError(late if self._late else _how_it_ended(code))
            *lines, self._begun = (self._begun + came).split(b"\n")
            self._unread.extend(lines)
            if len(self._begun) > AT_ONCE_BYTES:
                self._give_up()
        return self._unread.popleft()

    def _give_up(self) -> NoReturn:
        """End a process that a film has made say what it never says by itself."""
        self._process.kill()
        raise DecoderEndedError("the decoder answered what makes no sense")

    def _answer(self, within_s: float) -> dict[str, Any]:
        while True:
            try:
                answer = json.loads(self._line(within_s))
            except ValueError:
                self._give_up()
            if not isinstance(answer, dict) or answer.get("slot") not in (None, *range(self._ring.slots)):
                self._give_up()
            if "refused" in answer:
                raise InputError(answer["refused"])
            if "failed" in answer:
                self._process.kill()
                raise DecoderEndedError(answer["failed"])
            if "alive" not in answer:
                return answer

    def _give_back(self) -> None:
        """Tell which slots are free again: several at a time, since each message lets the other process run first."""
        slots = []
        while self._ring.freed:
            slots.append(self._ring.freed.popleft())
        if slots:
            self._send({"free": slots})

    def _send(self, message: dict[str, Any]) -> None:
        assert self._process.stdin is not None
        # Of one that has ended the frames that it told of are taken in first; then the end of its answers says so.
        with suppress(OSError):
            self._process.stdin.write(json.dumps(message).encode() + b"\n")


def _how_it_ended(code: int) -> str:
    if code < 0:
        return f"the decoder was ended by signal {-code}"
    return "the decoder ended of itself" if code == 0 else f"the decoder ended with error {code}"


def _surroundings() -> dict[str, str]:
    kept = {name: os.environ[name] for name in _KEPT_VARIABLES if name in os.environ}
    paths = [path or os.getcwd() for path in sys.path]
    return kept | _VARIABLES | {"PYTHONPATH": os.pathsep.join(paths)}
