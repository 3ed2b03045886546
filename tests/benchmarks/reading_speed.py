"""How fast a clip is read, against decoding it alone, and the peak memory of both and of a clip of several minutes."""

import multiprocessing
import resource
import statistics
import sys
import tempfile
from fractions import Fraction
from pathlib import Path
from time import perf_counter, process_time

import av

from calibration.camera import Setup
from tests.known_clips import footage_clips, sample_clip
from vision.clip import open_clip
from vision.read import read_clip, setup_clip
from vision.shot import Shot, load_shot

WANTED_SHARE, WANTED_MB = 0.5, 600.0
RUNS = 3
LONG_S = 240.0


def run() -> list[dict[str, float | str]]:
    """One row a clip: frames a second (wall), their ratio (also of processor time), peak memory as it is and looped."""
    rows: list[dict[str, float | str]] = []
    for k, clip in enumerate([sample_clip(), *footage_clips()]):
        row: dict[str, float | str] = {"clip": clip.name}
        row |= _speeds(clip.path)
        row["wanted_share"] = WANTED_SHARE
        row["peak_MB"] = peak_mb(clip.path, clip.path.with_suffix(".shot.toml"))
        row["peak_long_MB"] = ""
        # A long clip takes minutes to read: one of them is enough to see whether memory stays flat.
        if k == 0:
            with tempfile.TemporaryDirectory() as folder:
                long = Path(folder) / "long.mp4"
                loop_clip(clip.path, long, LONG_S)
                row["peak_long_MB"] = peak_mb(long, clip.path.with_suffix(".shot.toml"))
        row["wanted_MB"] = WANTED_MB
        rows.append(row)
    return rows


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


def peak_mb(clip: Path, shot: Path) -> float:
    """Peak memory of a process of its own that reads a clip, in megabytes."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        return float(pool.apply(_read_and_weigh, (clip, shot)))


def _read_and_weigh(clip: Path, shot: Path) -> float:
    read_clip(clip, load_shot(shot))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


def _speeds(path: Path) -> dict[str, float]:
    """Medians of a few runs in turn, the camera known beforehand (finding it is the same for any length of clip)."""
    shot = load_shot(path.with_suffix(".shot.toml"))
    began = perf_counter()
    setup, _ = setup_clip(path)
    setup_s = perf_counter() - began
    decoding = [_decode(path)]  # The first run also fills the caches; it counts no worse than the others.
    reading = []
    for _ in range(RUNS):
        decoding.append(_decode(path))
        reading.append(_read(path, setup, shot))
    wall = statistics.median(d[0] for d in decoding), statistics.median(r[0] for r in reading)
    processor = statistics.median(d[1] for d in decoding), statistics.median(r[1] for r in reading)
    with open_clip(path) as clip:
        frames = sum(1 for _ in clip.frames())
    return {
        "decoding_per_s": frames / wall[0],
        "reading_per_s": frames / wall[1],
        "share": wall[0] / wall[1],
        "share_of_processor": processor[0] / processor[1],
        "setup_s": setup_s,
    }


def _decode(path: Path) -> tuple[float, float]:
    """Wall and processor time of decoding a clip to its planes."""
    wall, processor = perf_counter(), process_time()
    with open_clip(path) as clip:
        for _ in clip.frames():
            pass
    return perf_counter() - wall, process_time() - processor


def _read(path: Path, setup: Setup, shot: Shot) -> tuple[float, float]:
    wall, processor = perf_counter(), process_time()
    read_clip(path, shot, setup=setup)
    return perf_counter() - wall, process_time() - processor
