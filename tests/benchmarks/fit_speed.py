"""How long a full fit takes (region, rules, one point, weights, days), by the number of attempts at a shot."""

from datetime import date, timedelta
from math import radians
from time import process_time

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.log_fit import fit_all
from calibration.table import STANDARD_TABLES
from calibration.unfold import unfold
from vision.shot import Shot

COUNTS = (5, 20, 50, 200, 1000)
SHOTS = 5
TOTAL = 100_000
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


def run(seed: int = 3) -> list[dict[str, float | int]]:
    """Seconds of processor time a shot, and for as many shots as make a hundred thousand attempts."""
    rng = np.random.default_rng(seed)
    shot = Shot("shot", "kick", ("left",), "pocketed", target_pocket="foot-right")
    found: list[dict[str, float | int]] = []
    for n in COUNTS:
        rows = log_of(SHOTS, n, rng)
        began = process_time()
        fit_all(rows, STANDARD_TABLES["9ft"], {f"shot {k}": shot for k in range(SHOTS)})
        each = (process_time() - began) / SHOTS
        found.append({"attempts_a_shot": n, "seconds_a_shot": each, "seconds_for_100000": each * TOTAL / n})
    return found
