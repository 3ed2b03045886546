"""Partial pooling: a cell's rate drawn towards that of all, the more the fewer its tries and the more alike the cells.

The hierarchical beta-binomial model (Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.3; from memory): the
cells' true rates are spread as a beta distribution of mean m and strength k (worth k tries of its own). Here m has a
flat prior, and k one under which k/(k + MEDIAN_STRENGTH) is flat, as Christiansen and Morris do for counts (JASA 92,
618-632, 1997; from memory). Both are summed over on a grid rather than set to their best values: two cells of two
tries, one all made and one all missed, would otherwise be believed as they stand.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln

from calibration.table import Vector

# A set of cells is thought as likely to be more alike than this as less: true rates of about 0.5 +- 0.15.
MEDIAN_STRENGTH = 10.0
MEAN_STEPS = 200
STRENGTH_STEPS = 40


@dataclass(frozen=True)
class Pooled:
    """Rates after pooling, with their standard deviations, both (n,); of all cells the mean and the spread of the true
    rates (sd). NaN where there is no try at all."""

    rate: Vector
    sd: Vector
    mean: float
    spread: float


def pool(made: Vector, tries: Vector) -> Pooled:
    """Partial pooling of cells with ``made`` of ``tries`` (n,) each; a cell without a try gets the mean of all.

    Raises ValueError when the counts cannot be.
    """
    made, tries = np.asarray(made, dtype=float), np.asarray(tries, dtype=float)
    if made.shape != tries.shape or made.ndim != 1 or np.any((made < 0) | (made > tries)):
        raise ValueError("every cell needs its tries, and not more made than tried")
    if not tries.sum() > 0:
        nothing = np.full(made.shape, np.nan)
        return Pooled(nothing, nothing.copy(), np.nan, np.nan)
    mean = ((np.arange(MEAN_STEPS) + 0.5) / MEAN_STEPS)[:, None]
    share = ((np.arange(STRENGTH_STEPS) + 0.5) / STRENGTH_STEPS)[None, :]
    strength = MEDIAN_STRENGTH * share / (1 - share)
    a, b = mean * strength, (1 - mean) * strength
    # Cells of the same counts are worked out once.
    counts, back, times = np.unique(np.column_stack([made, tries]), axis=0, return_inverse=True, return_counts=True)
    log_weight = np.zeros(a.shape)
    for (hits, n), often in zip(counts, times, strict=True):
        log_weight += often * (betaln(a + hits, b + n - hits) - betaln(a, b))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    rate, square = np.empty(len(counts)), np.empty(len(counts))
    for k, (hits, n) in enumerate(counts):
        inner = (a + hits) / (strength + n)
        rate[k] = np.sum(weight * inner)
        square[k] = np.sum(weight * inner * (inner * (strength + n) + 1) / (strength + n + 1))
    back = back.reshape(-1)
    return Pooled(
        rate=rate[back],
        sd=np.sqrt(np.maximum(square - rate**2, 0.0))[back],
        mean=float(np.sum(weight * mean)),
        spread=float(np.sqrt(np.sum(weight * mean * (1 - mean) / (strength + 1)))),
    )
