"""Memory of reading, for looped films of several lengths: of the process that reads and of the one that decodes."""

import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av

from tests.known_clips import sample_clip

WANTED_MB = 600.0
MINUTES = (1, 5)
EVERY_S = 0.1


def run(minutes: Sequence[float] = MINUTES) -> list[dict[str, float | str]]:
    """One row a length. Pages that both processes use are counted once (Linux only: it alone tells)."""
    clip = sample_clip()
    rows: list[dict[str, float | str]] = []
    for length in minutes:
        with tempfile.TemporaryDirectory() as folder:
            film = Path(folder) / "film.mp4"
            loop_clip(clip.path, film, 60 * length)
            both, decoding = peak_mb(film, clip.path.with_suffix(".shot.toml"))
        rows.append(
            {"clip": clip.name, "minutes": length, "both_MB": both, "decoding_MB": decoding, "wanted_MB": WANTED_MB}
        )
    return rows


def peak_mb(film: Path, shot: Path) -> tuple[float, float]:
    """Peaks, in megabytes, of the whole of reading a film in a process of its own, and of its decoding process."""
    command = [sys.executable, "-m", "tests.benchmarks.memory", str(film), str(shot)]
    reader = subprocess.Popen(command)
    peaks = [0.0, 0.0]
    over = threading.Event()

    def watch() -> None:
        while not over.wait(EVERY_S):
            children = _children(reader.pid)
            decoding = sum(_share_mb(pid) for pid in children)
            peaks[0] = max(peaks[0], _share_mb(reader.pid) + decoding)
            peaks[1] = max(peaks[1], decoding)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        if reader.wait():
            raise RuntimeError(f"reading {film} failed")
    finally:
        over.set()
        watcher.join()
    return peaks[0], peaks[1]


def _share_mb(pid: int) -> float:
    """A process's share of memory: of pages that several use, each has its part."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1e3


def _children(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def loop_clip(source: Path, goal: Path, least_s: float) -> int:
    """Write the packets of a film again and again, not encoded anew, until ``least_s`` are full; how many times."""
    with av.open(str(source)) as film:
        packets = [p for p in film.demux(film.streams.video[0]) if p.dts is not None]
        stream = film.streams.video[0]
        shown = [(int(p.pts or 0), int(p.duration or 0)) for p in packets]
        period = max(pts + lasts for pts, lasts in shown) - min(pts for pts, _ in shown)
        times = max(1, -int(-least_s // float(period * (stream.time_base or Fraction(1)))))
    with av.open(str(goal), "w", format="mp4") as out:
        target = None
        for k in range(times):
            with av.open(str(source)) as film:
                stream = film.streams.video[0]
                target = target or out.add_stream_from_template(stream)
                for packet in film.demux(stream):
                    if packet.dts is None:
                        continue
                    packet.pts, packet.dts = int(packet.pts or 0) + k * period, packet.dts + k * period
                    packet.stream = target
                    out.mux(packet)
    return times


def _read(film: Path, shot: Path) -> None:
    from vision.read import read_clip
    from vision.shot import load_shot

    read_clip(film, load_shot(shot))


if __name__ == "__main__":
    _read(Path(sys.argv[1]), Path(sys.argv[2]))
