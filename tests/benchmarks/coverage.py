"""How often the 95 % region holds the true point, and how large it is against the exact one of the same design."""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from math import pi
from multiprocessing import get_context
from time import process_time

import numpy as np
from scipy.stats import f as f_distribution

from app.fitting import lines
from app.fitting.fit import ENOUGH_MEASURED
from app.fitting.region import CONFIDENCE, area, outline, p_values, scale_squared
from app.fitting.scatter import ScatterPrior, at_scatter, integrate_scatter, restricted_estimate
from calibration.table import Vector
from tests.benchmarks.drills import PLACES, Drill, measured_drill, outcome_drill

COUNTS = (5, 8, 12, 30)
# Outlines cost ten times as much as the question whether the truth is inside: every so many drills are enough.
OUTLINE_EVERY = 20


def exact_area(drill: Drill) -> float:
    """Area in (phi, kappa) of the F region of a linear model with the same design, its nuisances taken out by an oracle
    from the residuals but left in the covariance."""
    obs = drill.observations
    columns = lines.jacobian(drill.family, obs.start_m)
    error = lines.residuals(drill.family, obs.start_m, obs.bearing_rad) - drill.shared_rad
    residual = error - columns @ np.linalg.lstsq(columns, error, rcond=None)[0]
    nu = len(obs) - 2
    covariance = np.eye(len(obs)) * (residual @ residual / nu) + obs.nuisance_rad @ obs.nuisance_rad.T
    information = columns.T @ np.linalg.solve(covariance, columns)
    return float(pi * 2 * f_distribution.ppf(CONFIDENCE, 2, nu) / np.sqrt(np.linalg.det(information)))


def inside_and_area(drill: Drill, with_area: bool) -> tuple[bool, float]:
    """Whether the truth is in the region, and the ratio of areas (NaN when not asked for or open)."""
    obs = drill.observations
    prior = None if int(obs.measured.sum()) >= ENOUGH_MEASURED else ScatterPrior()
    nodes = integrate_scatter(obs, prior)
    inside = bool(p_values(obs, nodes, drill.family[None])[0] >= 1 - CONFIDENCE)
    if not with_area:
        return inside, float("nan")
    best = at_scatter(obs, nodes, restricted_estimate(obs, nodes, prior))
    scale = scale_squared(nodes, best.covariance[0])
    ring = outline(obs, nodes, best.family[0], best.covariance[0], scale, rays=36)
    return inside, float("nan") if ring is None else area(ring) / exact_area(drill)


def families() -> dict[str, tuple[Callable[[np.random.Generator], Drill], bool]]:
    """Name -> how a drill is drawn, and whether an exact region exists to compare the area with."""
    drawn: dict[str, tuple[Callable[[np.random.Generator], Drill], bool]] = {}
    for place in PLACES:
        for n in COUNTS:
            drawn[f"{place}, n = {n}"] = (partial(measured_drill, n=n, place=place), True)
    drawn["near, n = 80"] = (partial(measured_drill, n=80, place="near"), True)
    drawn["gain 12 % off, always long, n = 12"] = (
        partial(measured_drill, n=12, place="near", always_long=True, gain_error=0.12),
        True,
    )
    drawn["clip turn 0.1 deg, n = 12"] = (partial(measured_drill, n=12, place="near", clip_turn_deg=0.1), True)
    for low, high in ((3, 10), (10, 30)):
        drawn[f"a tenth wrong by {low}-{high} sd, n = 20"] = (
            partial(measured_drill, n=20, place="near", wrong_sd=(low, high)),
            False,
        )
    for n in (30, 80, 200):
        drawn[f"outcomes only, n = {n}"] = (partial(outcome_drill, n=n, place="near"), False)
    drawn["mixed, n = 30"] = (partial(outcome_drill, n=30, place="near", measured_share=0.4), False)
    return drawn


def family_row(name: str, drills: int, seed: int) -> dict[str, float | str]:
    """One family: share of regions that hold the truth and median ratio of areas, each with the standard error that the
    number of drills leaves, and the processor time of a drill."""
    draw, comparable = families()[name]
    rng = np.random.default_rng([seed, *name.encode()])
    began = process_time()
    found = [inside_and_area(draw(rng), comparable and k % OUTLINE_EVERY == 0) for k in range(drills)]
    took = process_time() - began
    inside = float(np.mean([hit for hit, _ in found]))
    ratio = np.array([share for _, share in found if np.isfinite(share)])
    return {
        "family": name,
        "coverage_percent": 100 * inside,
        "coverage_se_percent": 100 * float(np.sqrt(inside * (1 - inside) / drills)),
        "area_ratio": float(np.median(ratio)) if len(ratio) else float("nan"),
        "area_ratio_se": standard_error_of_median(ratio),
        "processor_ms_a_drill": 1000 * took / drills,
    }


def standard_error_of_median(values: Vector) -> float:
    """Half the distance of the quantiles that lie a standard deviation of the binomial to either side of the middle."""
    if len(values) < 2:
        return float("nan")
    low, high = np.quantile(values, 0.5 + np.array([-0.5, 0.5]) / np.sqrt(len(values)))
    return float(high - low) / 2


def run(drills: int = 2000, seed: int = 20, processes: int | None = None) -> list[dict[str, float | str]]:
    """One row a family. Families are shared out among ``processes``, all cores when not given; each has its own seed,
    so that the numbers do not depend on that."""
    one = partial(family_row, drills=drills, seed=seed)
    if processes == 1:
        return [one(name) for name in families()]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(one, families()))
