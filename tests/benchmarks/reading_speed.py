"""How fast a clip is read, against decoding it to its planes with the same threads and nothing else."""

import os
import statistics
from pathlib import Path
from time import perf_counter

from calibration.camera import Setup
from tests.known_clips import footage_clips, sample_clip
from vision.film.decoding import Decoder
from vision.film.limits import Limits
from vision.read import read_clip, setup_clip
from vision.shot import Shot, load_shot

WANTED_SHARE = 0.5
RUNS = 3


def run() -> list[dict[str, float | str]]:
    """One row a clip: frames a second, their ratio by the clock and by processor time, and finding the camera."""
    return [{"clip": clip.name} | _speeds(clip.path) for clip in (sample_clip(), *footage_clips())]


def _speeds(path: Path) -> dict[str, float]:
    """Medians of a few runs in turn, the camera known beforehand (finding it is the same for any length of clip)."""
    shot = load_shot(path.with_suffix(".shot.toml"))
    began = perf_counter()
    setup, _ = setup_clip(path)
    setup_s = perf_counter() - began
    _decode(path)  # Fills the caches.
    decoding, reading, frames = [], [], 0
    for _ in range(RUNS):
        wall, processor, frames = _decode(path)
        decoding.append((wall, processor))
        reading.append(_read(path, setup, shot))
    wall = statistics.median(d[0] for d in decoding), statistics.median(r[0] for r in reading)
    processor = statistics.median(d[1] for d in decoding), statistics.median(r[1] for r in reading)
    return {
        "decoding_per_s": frames / wall[0],
        "reading_per_s": frames / wall[1],
        "share": wall[0] / wall[1],
        "wanted_share": WANTED_SHARE,
        "share_of_processor": processor[0] / processor[1],
        "setup_s": setup_s,
    }


def processor_s() -> float:
    """Processor time of this process and of those it started that have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def _decode(path: Path) -> tuple[float, float, int]:
    """Seconds by the clock and of processor time for decoding a clip in this process, and its frames."""
    wall, processor = perf_counter(), processor_s()
    with Decoder(path, Limits()) as film:
        frames = 0
        for picture in film.pictures():
            film.planes(picture)
            frames += 1
    return perf_counter() - wall, processor_s() - processor, frames


def _read(path: Path, setup: Setup, shot: Shot) -> tuple[float, float]:
    wall, processor = perf_counter(), processor_s()
    read_clip(path, shot, setup=setup)
    return perf_counter() - wall, processor_s() - processor
