"""The miss to expect from aiming along given lines: one number, for the rules compared and for the marks of a room.

It is the mean size of the miss at the target when the player delivers the aim's line to the hair. What is left is by
how much that line leaves the one needed (start by start: an offset is no scatter), how unsure the fit is of that, and
the scatter of the lines needed, which no aim can foresee. With the player's stroke it would be another question.
"""

from dataclasses import dataclass
from functools import cache
from math import sqrt

import numpy as np
from scipy.special import ndtr, ndtri

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.one_point import OnePoint
from calibration.table import Vector

# Fits that the attempts leave possible, laid evenly over what they know, for a 95 % range.
POSSIBLE = 128


@dataclass(frozen=True)
class Needed:
    """What the attempts say of the lines needed from starts (n,): ``shift_rad`` by which they exceed those of one point
    (not nothing where one point is not enough), and the standard deviation ``sd_rad`` of the whole."""

    shift_rad: Vector
    sd_rad: Vector


def needed_from(found: Convergence, verdict: OnePoint, start_m: Vector) -> Needed:
    """For starts (n, 2), metres from the table's centre."""
    columns = lines.jacobian(found.family, start_m)
    variance = np.sum((columns @ found.family_covariance) * columns, axis=1)
    shift = np.zeros(len(start_m))
    bend = verdict.bend
    if bend is not None and verdict.verdict != "enough":
        shape = bend.shape(start_m)
        variance = variance + (bend.term.sd_rad * shape) ** 2
        if verdict.verdict == "not enough":
            shift = bend.term.value_rad * shape
        else:
            # Whether the lines bend at all is not known: as unsure as the bend found is large.
            variance = variance + (bend.term.value_rad * shape) ** 2
    return Needed(shift, np.sqrt(variance))


def expected_miss_m(off_rad: Vector, sd_rad: Vector, spread_rad: float, worth_m: Vector) -> Vector:
    """Mean size of the miss, metres: lines off by ``off_rad`` with ``sd_rad``, needed ones that scatter by
    ``spread_rad``, and what a radian is worth (either sign); shapes broadcast."""
    worth = np.abs(worth_m)
    return folded_mean(worth * np.sin(off_rad), worth * np.hypot(sd_rad, spread_rad))


def expected_miss_range_m(off_rad: Vector, found: Convergence, start_m: Vector, worth_m: Vector) -> tuple[float, float]:
    """95 % range of the mean over the starts, as the fit's family and scatter may be others than the best."""
    first, second, share = _possible()
    root = np.linalg.cholesky(found.family_covariance)
    away = np.stack([first, second], axis=1) @ root.T @ lines.jacobian(found.family, start_m).T
    low, high = found.spread_range_rad
    middle = min(max(found.spread_rad, low), high)
    spread = np.interp(share, [0.025, 0.5, 0.975], [low, middle, high])[:, None]
    worth = np.abs(worth_m)
    size = worth * np.sin(off_rad - away)
    told = folded_mean(size, np.broadcast_to(worth * spread, size.shape)).mean(axis=1)
    return float(np.quantile(told, 0.025)), float(np.quantile(told, 0.975))


def folded_mean(mean: Vector, sd: Vector) -> Vector:
    """Mean size of a normal value (the folded normal's mean: Leone, Nelson and Nottingham, 1961, from memory)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = mean / sd
        value = sd * sqrt(2 / np.pi) * np.exp(-(ratio**2) / 2) + mean * (1 - 2 * ndtr(-ratio))
    folded: Vector = np.where(sd > 0, value, np.abs(mean))
    return folded


@cache
def _possible() -> tuple[Vector, Vector, Vector]:
    """Two standard normal values and an even one, (m,) each, spread evenly by a Halton sequence (Halton, 1960, from
    memory)."""
    first, second, third = (_van_der_corput(base) for base in (2, 3, 5))
    return ndtri(first), ndtri(second), third


def _van_der_corput(base: int) -> Vector:
    values = []
    for k in range(1, POSSIBLE + 1):
        value, part, rest = 0.0, 1.0, k
        while rest:
            part /= base
            rest, digit = divmod(rest, base)
            value += part * digit
        values.append(value)
    return np.array(values)
