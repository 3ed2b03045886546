"""How long the full fit of a log takes (region, rules, one point, weights, days), and its reading and writing, by the
number of attempts at a shot."""

import json
from datetime import date, timedelta
from io import StringIO
from math import radians
from resource import RUSAGE_CHILDREN, getrusage
from time import perf_counter, process_time

import numpy as np

from app.fitting.attempts_csv import AttemptRow, read_attempts, write_attempts
from app.fitting.log_fit import fit_all
from calibration.table import STANDARD_TABLES
from calibration.unfold import unfold
from vision.shot import Shot

COUNTS = (5, 20, 80, 200, 1000)
FIRST_DAY = date(2026, 3, 1)


def log_of(shots: int, n: int, rng: np.random.Generator) -> list[AttemptRow]:
    """A log of measured misses, n attempts at each shot, twenty a clip, two clips a day."""
    table = STANDARD_TABLES["9ft"]
    target = np.array([2.4, 0.1])
    rows = []
    for k in range(shots):
        for i in range(n):
            start = rng.uniform([0.2, 0.15], [1.6, 0.9])
            path = unfold(start, target, ("left",), table)
            off, scatter = rng.normal(0, radians(0.6)), rng.normal(0, radians(0.3))
            rows.append(
                AttemptRow(
                    row=len(rows) + 2,
                    shot=f"shot {k}",
                    start_x_m=float(start[0]),
                    start_y_m=float(start[1]),
                    bearing_rad=path.bearing_rad + off,
                    bearing_sd_rad=radians(0.04),
                    clip=f"clip {k} {i // 20}",
                    common_bearing_sd_rad=radians(0.03),
                    miss_m=(off + scatter) * path.miss_per_rad_m,
                    miss_sd_m=0.003,
                    miss_per_rad_m=path.miss_per_rad_m,
                    speed_mps=float(rng.normal(2.2, 0.3)),
                    at=(FIRST_DAY + timedelta(days=i // 40)).isoformat(),
                )
            )
    return rows


def processor_s() -> float:
    """Processor time of this process and of those that it has started and that have ended."""
    return process_time() + sum(getrusage(RUSAGE_CHILDREN)[:2])


def run(shots: int = 500, seed: int = 3) -> list[dict[str, float | int]]:
    """Seconds for a log of so many shots, by the attempts at each: to fit it with all cores, by the clock and by the
    processors; to read the file and to write the JSON, which one core does."""
    rng = np.random.default_rng(seed)
    shot = Shot("shot", "kick", ("left",), "pocketed", target_pocket="foot-right")
    known = {f"shot {k}": shot for k in range(shots)}
    found: list[dict[str, float | int]] = []
    for n in COUNTS:
        text = StringIO()
        write_attempts(log_of(shots, n, rng), text)
        text.seek(0)
        began = process_time()
        rows = read_attempts(text, "the log").rows
        read = process_time()
        clock, processors = perf_counter(), processor_s()
        fits = fit_all(rows, STANDARD_TABLES["9ft"], known)
        clock, processors = perf_counter() - clock, processor_s() - processors
        fitted = process_time()
        json.dumps([fit.to_json() for fit in fits], indent=1, allow_nan=False)
        found.append(
            {
                "attempts_a_shot": n,
                "attempts": len(rows),
                "to_fit_s": clock,
                "processor_s": processors,
                "processor_ms_a_shot": 1000 * processors / shots,
                "to_read_s": read - began,
                "to_write_s": process_time() - fitted,
            }
        )
    return found
