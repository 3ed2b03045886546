"""Simulated drills: starts as a player would place them, true lines, and what a log would hold of them."""

from dataclasses import dataclass, replace
from math import radians

import numpy as np

from app.fitting import lines
from app.fitting.gain import GAIN_SD, gain_column
from app.fitting.likelihood import Observations, measured_bearings, wrong_share_of
from calibration.table import STANDARD_TABLES, Vector


@dataclass(frozen=True)
class Drill:
    """A simulated log of one shot with its truth. ``family`` (2,) is the true (phi, kappa)."""

    observations: Observations
    family: Vector
    scatter_rad: float
    shared_rad: Vector
    """What gain and turns have really added to each bearing, (n,)."""


# Inverse distance of the point from the table's centre, per metre: one-rail points of a 9-ft table stand near 0.45.
PLACES = {"near": (0.40, 0.60), "far": (0.08, 0.20), "parallel": (0.0, 0.0), "spreading": (-0.30, -0.10)}


def starts(rng: np.random.Generator, n: int, towards: float) -> Vector:
    """n starts (n, 2) from the table's centre: up to eight marked places in the half away from the point, walked round
    again and again, each ball within a few millimetres of its mark."""
    table = STANDARD_TABLES["9ft"]
    marks = min(n, 8)
    half = np.array([table.length_m, table.width_m]) / 2 - 0.1
    along = np.linspace(-0.95, 0.15, marks) + rng.uniform(-0.05, 0.05, marks)
    side = rng.permutation(np.linspace(-0.9, 0.9, marks)) + rng.uniform(-0.08, 0.08, marks)
    placed = np.column_stack([along, side])[np.arange(n) % marks] * half * [np.sign(np.cos(towards)), 1]
    return np.asarray(placed + rng.normal(0, 0.003, (n, 2)))


def measured_drill(
    rng: np.random.Generator,
    n: int,
    place: str,
    *,
    scatter_deg: tuple[float, float] = (0.15, 0.5),
    stated_deg: float = 0.06,
    clip_turn_deg: float = 0.04,
    always_long: bool = False,
    gain_error: float | None = None,
    wrong_sd: tuple[float, float] | None = None,
) -> Drill:
    """A log of measured misses. Clips of about a dozen attempts share a turn; the miss correction has a gain error.
    The player's line follows what moves the needed one from try to try (a place that needs another line) in part, as
    drawn for each log, and knows nothing of the rest (a speed that came out otherwise).

    ``wrong_sd``: a tenth of the entries are off by so many scatters besides.
    """
    family = np.array([radians(rng.uniform(35, 75)), rng.uniform(*PLACES[place])])
    start = starts(rng, n, family[0])
    scatter = radians(rng.uniform(*scatter_deg))
    stated = np.full(n, radians(stated_deg))
    # How far off the player aims, to be corrected by the measured miss.
    off = np.radians(rng.normal(0.8 if always_long else 0.0, 0.6, n))
    moved, read = rng.normal(0, scatter, n), rng.normal(0, stated)
    gain = 1 + (rng.normal(0, GAIN_SD) if gain_error is None else gain_error)
    missed = (off - (1 - rng.uniform()) * moved) / gain
    ideal = lines.needed_bearings(family, start)
    clip = np.arange(n) // 12
    nuisance = [gain_column(missed, start, ideal, np.ones(n, dtype=bool))]
    if clip_turn_deg:
        nuisance += [radians(clip_turn_deg) * (clip == c) for c in range(int(clip.max()) + 1)]
    columns = np.column_stack(nuisance)
    shared = (gain - 1) * missed + columns[:, 1:] @ rng.normal(0, 1, columns.shape[1] - 1)
    needed = ideal + moved + read + shared
    if wrong_sd is not None:
        wrong = rng.random(n) < 0.1
        needed = needed + wrong * scatter * rng.uniform(*wrong_sd, n) * rng.choice([-1.0, 1.0], n)
    observations = replace(measured_bearings(start, needed, stated, columns), wrong_share=wrong_share_of(n))
    return Drill(observations, family, scatter, shared)


def outcome_drill(
    rng: np.random.Generator,
    n: int,
    place: str,
    *,
    measured_share: float = 0.0,
    scatter_deg: tuple[float, float] = (0.15, 0.5),
) -> Drill:
    """A log of outcomes: made, or missed to a side, with margins that differ left and right and from start to start.

    The player delivers lines round the needed ones with a stroke spread of about a degree; ``measured_share`` of the
    rows have a measured miss as well.
    """
    family = np.array([radians(rng.uniform(35, 75)), rng.uniform(*PLACES[place])])
    start = starts(rng, n, family[0])
    scatter = radians(rng.uniform(*scatter_deg))
    needed = lines.needed_bearings(family, start) + rng.normal(0, scatter, n)
    delivered = lines.needed_bearings(family, start) + np.radians(rng.normal(0, rng.uniform(0.6, 1.2), n))
    left, right = np.radians(rng.uniform(0.3, 1.0, n)), np.radians(rng.uniform(0.3, 1.0, n))
    off = delivered - needed
    low = np.where(off > left, -np.inf, np.where(off < -right, right, -left))
    high = np.where(off > left, -left, np.where(off < -right, np.inf, right))
    known = rng.random(n) < measured_share
    observations = Observations(
        start_m=start,
        bearing_rad=np.where(known, needed, delivered),
        sd_rad=np.zeros(n),
        nuisance_rad=np.zeros((n, 0)),
        low_rad=np.where(known, np.nan, low),
        high_rad=np.where(known, np.nan, high),
        outside=np.zeros(n, dtype=bool),
        wrong_share=wrong_share_of(n),
    )
    return Drill(observations, family, scatter, np.zeros(n))
