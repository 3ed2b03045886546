"""Five filmed attempts and coarse rows by hand: how often the region holds the point, and how large it is."""

from dataclasses import replace
from math import radians

import numpy as np

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.likelihood import Observations, measured_bearings, wrong_share_of
from app.fitting.region import CONFIDENCE, area, p_values
from calibration.table import STANDARD_TABLES, Vector
from tests.benchmarks.drills import PLACES, Drill, starts

FILMED, COARSE, SCATTERS_DEG = 5, (0, 3, 12, 30), (0.0, 0.1, 0.3, 0.6)
FILMED_SD_DEG, HAND_SD_DEG, TURN_DEG = 0.06, (0.8, 1.6), 0.04
CENTRE_M = STANDARD_TABLES["9ft"].centre_m


def film_and_hand(rng: np.random.Generator, coarse: int, scatter_deg: float) -> Drill:
    """Five attempts of one clip and so many by hand; all stated errors are the real ones."""
    family = np.array([radians(rng.uniform(35, 75)), rng.uniform(*PLACES["near"])])
    n = FILMED + coarse
    start = np.vstack([starts(rng, FILMED, family[0]), starts(rng, coarse, family[0]) if coarse else np.zeros((0, 2))])
    sd = np.radians(np.concatenate([np.full(FILMED, FILMED_SD_DEG), rng.uniform(*HAND_SD_DEG, coarse)]))
    columns = np.where(np.arange(n) < FILMED, radians(TURN_DEG), 0.0)[:, None]
    shared = columns @ rng.normal(size=1)
    needed = lines.needed_bearings(family, start) + rng.normal(0, np.hypot(radians(scatter_deg), sd)) + shared
    obs = replace(measured_bearings(start, needed, sd, columns), wrong_share=wrong_share_of(n))
    return Drill(obs, family, radians(scatter_deg), shared)


def first_rows(obs: Observations, n: int) -> Observations:
    """The first rows alone, as if no others had been logged."""
    return replace(obs.some(np.arange(len(obs)) < n), wrong_share=wrong_share_of(n))


def region_of(obs: Observations, family: Vector) -> tuple[bool, float]:
    """Whether the region holds a family, and its area in direction and inverse distance (infinite where it is open)."""
    found = converge(obs, CENTRE_M)
    if found.nodes is None:
        return True, float("inf")
    inside = bool(p_values(obs, found.nodes, family[None])[0] >= 1 - CONFIDENCE)
    return inside, float("inf") if found.region is None else area(found.region)


def run(drills: int = 2000, seed: int = 22) -> list[dict[str, float | str]]:
    """One row for each scatter and number of coarse rows; the same drills with more and more of their rows."""
    rows: list[dict[str, float | str]] = []
    for scatter in SCATTERS_DEG:
        rng = np.random.default_rng([seed, round(100 * scatter)])
        drawn = [film_and_hand(rng, max(COARSE), scatter) for _ in range(drills)]
        alone = float("nan")
        for coarse in COARSE:
            found = [region_of(first_rows(d.observations, FILMED + coarse), d.family) for d in drawn]
            inside, middle = np.mean([hit for hit, _ in found]), float(np.median([size for _, size in found]))
            alone = middle if coarse == 0 else alone
            rows.append(
                {
                    "scatter_deg": scatter,
                    "coarse_rows": str(coarse),
                    "coverage_percent": 100 * float(inside),
                    "coverage_se_percent": 100 * float(np.sqrt(inside * (1 - inside) / drills)),
                    "median_area_over_that_of_film_alone": middle / alone,
                }
            )
    return rows
