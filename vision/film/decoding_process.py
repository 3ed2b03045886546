"""The process that decodes a film: takes requests from its standard input, puts frames into shared memory.

Both ways go lines of JSON. Requests: ``{"id": 1, "do": "frames"}`` and the like, ``{"free": [slots]}``. Answers: first
what is known of the film, or why it is refused or what failed; then, for each request, one line a frame and one for
the end. A new request ends the one before it. When the input closes, the process ends before the next frame; one that
hangs within a frame is ended by its limit of processor time.
"""

import json
import math
import os
import select
import signal
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from time import monotonic
from typing import Any

from calibration.errors import InputError
from vision.film.decoding import Decoder
from vision.film.limits import Limits
from vision.film.slots import attached, frame_bytes, put

# How often a process that is busy says so.
SIGN_OF_LIFE_S = 0.5
# No more than a few messages are ever under way.
AT_ONCE_BYTES = 65_536
# Seconds of processor time to a second of the clock, at most: some threads decode at once.
CPU_SHARE = 4


class Requests:
    """What the reader wants, read between one frame and the next: on a busy machine a thread for that would cost about
    as much as copying the frames does."""

    def __init__(self) -> None:
        self._input = sys.stdin.fileno()
        self._begun = b""
        self._free: deque[int] = deque()
        self._waiting: dict[str, Any] | None = None

    def have_free(self, slots: Iterable[int]) -> None:
        """Slots that may be filled."""
        self._free.extend(slots)

    @property
    def superseded(self) -> bool:
        """Whether another request came, as far as that can be seen without waiting."""
        while _has_come(self._input):
            self._take()
        return self._waiting is not None

    def wait(self) -> None:
        while self._waiting is None:
            self._take()

    def next(self) -> dict[str, Any]:
        self.wait()
        request, self._waiting = self._waiting, None
        assert request is not None
        return request

    def slot(self) -> int | None:
        """A free slot; None when another request came instead."""
        while not self._free and self._waiting is None:
            self._take()
        return None if self._waiting is not None else self._free.popleft()

    def _take(self) -> None:
        """Wait for messages and take them in; the process ends when there will be no more."""
        came = os.read(self._input, AT_ONCE_BYTES)
        if not came:
            os._exit(0)
        *lines, self._begun = (self._begun + came).split(b"\n")
        for line in lines:
            message = json.loads(line)
            self._free.extend(message.get("free", ()))
            if "do" in message:
                self._waiting = message


def _has_come(pipe: int) -> bool:
    """Whether something can be read at once; never, where the system cannot tell."""
    return sys.platform != "win32" and bool(select.select((pipe,), (), (), 0)[0])


class Answers:
    """Lines to the reader, and now and then a sign of life."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._spoke_s = monotonic()

    def say(self, **answer: Any) -> None:
        sys.stdout.buffer.write(json.dumps(answer).encode() + b"\n")
        sys.stdout.buffer.flush()
        self._spoke_s = monotonic()

    def tell(self, request: int, slot: int, pts: int, lost: int) -> None:
        """A frame: the same as ``say``, in less time, since there is one for every frame."""
        sys.stdout.buffer.write(b'{"id": %d, "slot": %d, "pts": %d, "lost": %d}\n' % (request, slot, pts, lost))
        sys.stdout.buffer.flush()
        self._spoke_s = monotonic()

    def alive(self) -> None:
        if monotonic() - self._spoke_s > SIGN_OF_LIFE_S:
            allow_processor_time(self._limits)
            self.say(alive=True)


def main() -> None:
    """Serve one film: path, handle of the ring and limits are the arguments."""
    path, handle = Path(sys.argv[1]), sys.argv[2]
    limits = Limits(**json.loads(sys.argv[3]))
    # Ctrl-C reaches every process of a terminal; the reader decides what then becomes of this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bound(limits)
    answers = Answers(limits)
    requests = Requests()
    try:
        try:
            with Decoder(path, limits, answers.alive) as decoder:
                answers.say(**asdict(decoder.facts))
                requests.wait()
                # With the first request it is certain that the memory has its size.
                serve(decoder, attached(handle, slot_bytes(decoder)), requests, answers)
        except InputError as error:
            answers.say(refused=str(error))
        except MemoryError:
            answers.say(failed="its decoding takes more memory than is allowed")
    except BrokenPipeError:
        os._exit(0)


def slot_bytes(decoder: Decoder) -> int:
    return frame_bytes(decoder.facts.width, decoder.facts.height)


def serve(decoder: Decoder, ring: list[memoryview], requests: Requests, answers: Answers) -> None:
    """Answer requests until the input closes."""
    requests.have_free(range(len(ring)))
    while True:
        request = requests.next()
        for picture in asked_for(decoder, request):
            slot = requests.slot()
            if slot is None:
                break
            if not put(picture, ring[slot]):
                put_converted(decoder, picture, ring[slot])
            answers.tell(request["id"], slot, picture.pts, decoder.lost)
            allow_processor_time(decoder.limits)
            if requests.superseded:
                break
        else:
            answers.say(id=request["id"], end=True, lost=decoder.lost, gave_up=decoder.gave_up)


def put_converted(decoder: Decoder, picture: Any, slot: memoryview) -> None:
    """Copy a picture of any format into a slot, as planes of eight bits."""
    import numpy as np

    from vision.film.planes import planes_in

    goals = planes_in(np.frombuffer(slot, np.uint8), decoder.facts.width, decoder.facts.height)
    for goal, plane in zip(goals, decoder.planes(picture), strict=True):
        np.copyto(goal, plane)


def asked_for(decoder: Decoder, request: dict[str, Any]) -> Iterator[Any]:
    match request["do"]:
        case "frames":
            return decoder.pictures()
        case "near":
            return decoder.near(request["at_s"], request["slack_s"])
        case "between":
            return decoder.between(request["from_s"], request["until_s"])
        case "key_frames":
            return decoder.key_pictures(request["every_s"])
    raise ValueError(request["do"])


def bound(limits: Limits) -> None:
    """Limit what this process may take; where the system cannot, the reader's time limit remains."""
    try:
        import resource
    except ImportError:
        return
    for what, most in (
        (resource.RLIMIT_AS, limits.memory_bytes),
        (resource.RLIMIT_CORE, 0),
        # It writes no file, only memory and pipes.
        (resource.RLIMIT_FSIZE, 0),
    ):
        lower(what, most, for_good=True)
    allow_processor_time(limits)


def allow_processor_time(limits: Limits) -> None:
    """So much processor time from now on; every step forward renews it."""
    try:
        import resource
    except ImportError:
        return
    usage = resource.getrusage(resource.RUSAGE_SELF)
    lower(resource.RLIMIT_CPU, math.ceil(usage.ru_utime + usage.ru_stime + CPU_SHARE * limits.stall_s))


def lower(what: int, most: int, *, for_good: bool = False) -> None:
    """Set a limit, as far as the one that stands allows; ``for_good`` means that it cannot be raised again."""
    import resource

    hard = resource.getrlimit(what)[1]
    most = most if hard == resource.RLIM_INFINITY else min(most, hard)
    try:
        resource.setrlimit(what, (most, most if for_good else hard))
    except (OSError, ValueError):
        # Some systems know a limit by name only.
        return


if __name__ == "__main__":
    main()
