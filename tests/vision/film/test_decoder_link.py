"""What passes between reader and decoder: messages in pieces, slots given back, how long is waited for an answer."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from calibration.errors import InputError
from tests.vision.films import even_times, write_film
from vision.film import decoding_process
from vision.film.clip import open_clip
from vision.film.decoder_link import DecoderEndedError, DecoderLink, End, Received
from vision.film.decoding_process import Requests, serve
from vision.film.limits import Limits
from vision.film.slots import MOST_SLOTS

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and scripts with a first line are POSIX")

# Stands in for the decoder: tells of a film of 96 x 64, then does what a test wants of it.
STAND_IN = """#!{python}
import json, sys, time
def say(text):
    sys.stdout.write(text)
    sys.stdout.flush()
def heard():
    return json.loads(sys.stdin.readline())
def frame(slot):
    return json.dumps({{"id": 1, "slot": slot, "pts": slot, "lost": 0}}) + chr(10)
FACTS = json.dumps({{"width": 96, "height": 64}}) + chr(10)
END = json.dumps({{"id": 1, "end": True, "lost": 0, "gave_up": False}}) + chr(10)
ALIVE = json.dumps({{"alive": True}}) + chr(10)
SLOTS = {slots}
{does}
"""

Started = Callable[..., DecoderLink]


@pytest.fixture
def started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Started]:
    """Starts a link to a stand-in that does what a few lines say."""
    links: list[DecoderLink] = []
    film, script = tmp_path / "film.mp4", tmp_path / "decoder"
    write_film(film)
    python = sys.executable

    def start(does: str, limits: Limits) -> DecoderLink:
        script.write_text(STAND_IN.format(python=python, slots=MOST_SLOTS, does=does))
        script.chmod(0o700)
        monkeypatch.setattr(sys, "executable", str(script))
        links.append(DecoderLink(film, limits))
        return links[-1]

    yield start
    for link in links:
        link.close()


def test_answers_that_come_in_pieces(started: Started) -> None:
    link = started(
        """
for part in (FACTS[:7], FACTS[7:]):
    say(part)
    time.sleep(0.02)
heard()
told = frame(0) + ALIVE + frame(1) + frame(2) + END
for at in range(0, len(told), 25):
    say(told[at:at + 25])
    time.sleep(0.002)
time.sleep(9)
""",
        Limits(),
    )
    answers = list(link.ask("frames"))
    assert [a.pts for a in answers if isinstance(a, Received)] == [0, 1, 2]
    assert answers[-1] == End(lost=0, gave_up=False)


def test_slots_are_given_back_though_a_sign_of_life_is_all_that_came(started: Started) -> None:
    """All frames but one are kept; the decoder, which was slow for a moment, waits for that one's slot."""
    link = started(
        """
say(FACTS)
heard()
say("".join(map(frame, range(SLOTS))) + ALIVE)
freed = heard()["free"]
say(frame(freed[0]) + END)
time.sleep(9)
""",
        Limits(stall_s=2.0),
    )
    kept = []
    for answer in link.ask("frames"):
        if isinstance(answer, Received) and answer.pts > 0:
            kept.append(answer.memory)
        del answer
    assert len(kept) == MOST_SLOTS - 1


def test_frames_told_before_the_end_are_taken_in(started: Started) -> None:
    """It ends by itself while the reader is busy: slots cannot be given back any more, but what came is there."""
    link = started('say(FACTS)\nheard()\nsay("".join(map(frame, range(SLOTS))))', Limits())
    read = []

    def read_on() -> None:
        for answer in link.ask("frames"):
            assert isinstance(answer, Received)
            read.append(answer.pts)
            del answer
            link._process.wait(10)

    with pytest.raises(DecoderEndedError, match="ended of itself"):
        read_on()
    assert read == list(range(MOST_SLOTS))


def test_one_that_tells_nothing_from_the_start(started: Started) -> None:
    with pytest.raises(InputError, match=r"did not get any further for 1 s.*\.$"):
        started("time.sleep(20)", Limits(start_s=0.75))


def test_one_that_closes_its_pipe_and_goes_on_is_ended(started: Started) -> None:
    with pytest.raises(InputError, match=r"did not get any further.*\.$"):
        started("import os\nos.close(1)\ntime.sleep(20)", Limits(start_s=0.5))


# Reads on and on, and says how many frames it read when the film ends.
READER = """
import sys
from pathlib import Path
from vision.film.clip import open_clip
from vision.film.limits import Limits
with open_clip(Path(sys.argv[1]), Limits(stall_s=1.0)) as clip:
    frames = clip.frames()
    next(frames)
    print(clip._link._process.pid, flush=True)
    sys.stdin.readline()
    print(1 + sum(1 for _ in frames), clip.died, flush=True)
"""


def test_stopped_together_with_the_reader_is_no_standstill(tmp_path: Path) -> None:
    """As by Ctrl-Z in a terminal: the clock goes on, but nobody waited."""
    write_film(tmp_path / "film.mp4", pts=even_times(40))
    surroundings = os.environ | {"PYTHONPATH": os.pathsep.join(p or os.getcwd() for p in sys.path)}
    reader = subprocess.Popen(
        [sys.executable, "-c", READER, str(tmp_path / "film.mp4")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=surroundings,
        start_new_session=True,
    )
    with reader:
        assert reader.stdout is not None
        assert reader.stdin is not None
        decoder = int(reader.stdout.readline())
        # The decoder first: the reader waits for it when it is stopped itself.
        os.kill(decoder, signal.SIGSTOP)
        reader.stdin.write("\n")
        reader.stdin.flush()
        time.sleep(0.3)
        os.kill(reader.pid, signal.SIGSTOP)
        time.sleep(1.2)
        os.kill(reader.pid, signal.SIGCONT)
        os.kill(decoder, signal.SIGCONT)
        assert reader.stdout.read().split() == ["40"]


# --- the decoder's side ---


@pytest.fixture
def pipe(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The writing end of what ``Requests`` reads."""
    reads, writes = os.pipe()
    with open(reads) as stdin, open(writes, "wb"):
        monkeypatch.setattr(sys, "stdin", stdin)
        yield writes


def test_requests_that_come_in_pieces_or_together(pipe: int) -> None:
    requests = Requests()
    os.write(pipe, b'{"free": [3]}\n{"fr')
    assert not requests.superseded
    assert requests.slot() == 3
    os.write(pipe, b'ee": [5, 6]}\n{"id": 1, "do": "frames"}\n{"id": 2, "do": ')
    assert requests.next()["id"] == 1
    assert not requests.superseded
    os.write(pipe, b'"frames"}\n')
    assert requests.superseded
    # What another request came for is not filled any more.
    assert requests.slot() is None
    assert requests.next()["id"] == 2
    assert [requests.slot(), requests.slot()] == [5, 6]


def test_reader_that_is_gone_is_noticed_between_two_frames(pipe: int, monkeypatch: pytest.MonkeyPatch) -> None:
    requests = Requests()

    def leave(code: int) -> None:
        raise SystemExit(code)

    monkeypatch.setattr(os, "_exit", leave)
    with open(os.devnull, "wb") as other:
        os.dup2(other.fileno(), pipe)
    with pytest.raises(SystemExit, match="0"):
        _ = requests.superseded


class Told:
    """Answers, and a reader that gives every slot back and asks anew in the midst of a pass."""

    def __init__(self, pipe: int) -> None:
        self.lines: list[tuple[int, int]] = []
        self._pipe = pipe

    def tell(self, request: int, slot: int, pts: int, lost: int) -> None:
        self.lines.append((request, pts))
        if len(self.lines) == 2:
            os.write(self._pipe, b'{"id": 2, "do": "frames"}\n')
        os.write(self._pipe, b'{"free": [%d]}\n' % slot)

    def say(self, **answer: Any) -> None:
        raise SystemExit(answer["id"])


def test_where_the_system_cannot_tell_a_request_is_seen_when_slots_run_out(
    pipe: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding_process, "_has_come", lambda pipe: False)
    # It would lower the limit of the tests themselves.
    monkeypatch.setattr(decoding_process, "allow_processor_time", lambda limits: None)
    monkeypatch.setattr(decoding_process, "put", lambda picture, slot: True)
    film = [SimpleNamespace(pts=k) for k in range(9)]
    decoder: Any = SimpleNamespace(pictures=lambda: iter(film), lost=0, gave_up=False, limits=Limits())
    told: Any = Told(pipe)
    os.write(pipe, b'{"id": 1, "do": "frames"}\n')
    with pytest.raises(SystemExit, match="2"):
        serve(decoder, [memoryview(b"")] * 4, Requests(), told)
    # Four slots: four frames of the first pass, then all of the second.
    assert told.lines == [(1, k) for k in range(4)] + [(2, k) for k in range(9)]


def test_waiting_that_is_broken_off_is_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C while an answer is waited for, and the clip is gone on with: the decoder is not taken for late."""
    write_film(tmp_path / "film.mp4")
    with open_clip(tmp_path / "film.mp4", Limits(stall_s=0.25)) as clip:
        link = clip._link
        assert link is not None

        def stopped(file: int, size: int) -> bytes:
            raise KeyboardInterrupt

        with monkeypatch.context() as patched:
            patched.setattr(os, "read", stopped)
            with pytest.raises(KeyboardInterrupt):
                next(clip.frames())
        time.sleep(0.8)
        assert not link.ended


@pytest.mark.parametrize(
    "told",
    [
        *("frame(SLOTS)", "frame(-1)", "'no answer' + chr(10)", "'[]' + chr(10)", "'1' * 200_000"),
        *("json.dumps({'id': 1, 'slot': 0}) + chr(10)", "json.dumps({'id': 1}) + chr(10)"),
    ],
    ids=["no such slot", "slot below 0", "no JSON", "no object", "no end", "no time", "no end's facts"],
)
def test_answers_that_make_no_sense_end_the_decoder(told: str, started: Started) -> None:
    """A film may have taken it over."""
    link = started(f"say(FACTS); heard(); say({told}); time.sleep(9)", Limits())
    with pytest.raises(DecoderEndedError, match="makes no sense"):
        next(link.ask("frames"))
    link.close()
    assert link.ended
