"""How many are made by chance: a count of tries with differing chances, none of which is known for certain.

With known chances the count is distributed as a sum of independent trials (Poisson's binomial distribution): its mean
is the sum of the chances. Each chance hangs on a stroke spread that is only known within limits, which tries of one
stroke share; so the distribution is the mean of those at equally likely spreads, and strokes are added up. Of tries
that have told the spread themselves drawings stand for the chances (``own_tries``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
from scipy.special import ndtr

from app.stroke.spread import Flags
from calibration.table import Vector

LEVEL = 0.95
# With more tries than this, the distribution at one spread is taken for normal.
MOST_EXACT = 400


@dataclass(frozen=True)
class Expected:
    """Of ``tries`` with known chances ``made`` were made and ``mean`` are expected, sd ``sd``; by chance it is between
    ``low`` and ``high`` (counts, 95 %), and as far out as seen, to either side, with probability ``chance``. NaN
    without a try.
    """

    tries: int
    made: int
    mean: float
    sd: float
    low: float
    high: float
    chance: float

    @property
    def rate(self) -> float:
        return self.mean / self.tries if self.tries else nan

    @property
    def limits(self) -> tuple[float, float]:
        """Lowest and highest rate that chance gives."""
        return (self.low / self.tries, self.high / self.tries) if self.tries else (nan, nan)

    @property
    def differs(self) -> int:
        """1 where more are made than chance gives, -1 where fewer are, else 0."""
        if not isfinite(self.low):
            return 0
        return int(self.made > self.high) - int(self.made < self.low)


NOTHING = Expected(0, 0, nan, nan, nan, nan, nan)


def expect(made: int, strokes: Sequence[Vector | Flags], level: float = LEVEL) -> Expected:
    """What to expect of tries with the chances of ``strokes``, an array (k, n) each: of ``n`` tries at ``k`` spreads
    that are equally likely, or whether they are made in ``k`` equally likely drawings.

    Raises ValueError for chances that are not between 0 and 1, or more made than tried.
    """
    strokes = [one for one in strokes if one.shape[1]]
    tries = sum(one.shape[1] for one in strokes)
    if not 0 <= made <= tries:
        raise ValueError(f"{made} made of {tries} tries cannot be")
    if any(np.any(~((one >= 0) & (one <= 1))) for one in strokes):
        raise ValueError("a chance is a number between 0 and 1")
    if not tries:
        return NOTHING
    share: Vector = np.ones(1)
    for one in strokes:
        mixed: Vector
        if one.dtype == np.bool_:
            mixed = np.bincount(one.sum(axis=1), minlength=one.shape[1] + 1) / len(one)
        else:
            mixed = np.mean(count_shares(np.asarray(one, dtype=float)), axis=0)
        share = np.convolve(share, mixed)
    share = np.clip(share, 0.0, None)
    share /= share.sum()
    counts = np.arange(tries + 1.0)
    mean = float(share @ counts)
    sd = sqrt(max(float(share @ (counts - mean) ** 2), 0.0))
    below: Vector = np.cumsum(share)
    tail = (1 - level) / 2
    low, high = int(np.searchsorted(below, tail, side="right")), int(np.searchsorted(below, 1 - tail))
    # Half of the chance of just this count on either side (Lancaster's mid-p; from memory).
    under, over = float(below[made] - share[made] / 2), float(1 - below[made] + share[made] / 2)
    return Expected(tries, made, mean, sd, low, high, min(1.0, 2 * min(under, over)))


def count_shares(chance: Vector) -> Vector:
    """Probability of each count 0 to n, (k, n + 1), of ``n`` trials with chances (k, n)."""
    k, n = chance.shape
    if n > MOST_EXACT:
        mean: Vector = chance.sum(axis=1)
        sd = np.sqrt(np.maximum((chance * (1 - chance)).sum(axis=1), 1e-12))
        edges = (np.arange(n + 2) - 0.5 - mean[:, None]) / sd[:, None]
        edges[:, 0], edges[:, -1] = -np.inf, np.inf
        below: Vector = ndtr(edges)
        normal: Vector = np.diff(below, axis=1)
        return normal
    share = np.zeros((k, n + 1))
    share[:, 0] = 1.0
    for j in range(n):
        p = chance[:, j : j + 1]
        share[:, 1 : j + 2] = share[:, 1 : j + 2] * (1 - p) + share[:, : j + 1] * p
        share[:, 0] *= 1 - p[:, 0]
    return share
