"""How many of a stroke's own tries chance makes, when those very tries have told its spread.

Tries that happened to scatter widely tell a wide spread, and are seldom made; so a count is nearer to what the told
spread makes one expect than independent trials would be, while the doubt about the true spread adds nothing to it
(as with any test of fit whose parameters come from the same data). For normal errors this can be drawn exactly: the
weighted residuals round the smooth part have a direction that is independent of their length, and all directions are
alike (Basu, Sankhya 15, 377-380, 1955; from memory). So of every spread that the lines allow tries are drawn whose
residuals are as long as those seen. What the measurement adds to a line is parted from the stroke's error; the smooth
part's own error, which the residuals do not hold, is drawn freely.
"""

import numpy as np
from scipy.stats import chi2

from app.stroke.spread import LARGEST_RAD, NODES, Flags, Lines, Spread
from calibration.table import Vector

DRAWS_A_NODE = 80
SEED = 6


def drawn_makes(half_rad: Vector, sd_rad: Vector, basis: Lines, kept: Flags, spread: Spread) -> Flags:
    """Whether tries would be made, (NODES * DRAWS_A_NODE, n), one equally likely drawing a row; never where no margin
    is known.

    Parameters
    ----------
    half_rad : margin to either side of the best line, at which all are aimed, (n,).
    sd_rad : stated standard deviations of the lines, (n,).
    basis : the lines ``kept`` (n,) as the spread was told by them.
    spread : told by these lines, or by these and others; all other tries are independent of it.
    """
    rng = np.random.default_rng(SEED)
    sd = np.nan_to_num(sd_rad)
    inside = kept & (0 < basis.freedom <= spread.freedom)
    others = spread.freedom - basis.freedom
    smooth = _Smooth(basis, spread) if inside.any() else None
    made = np.zeros((NODES, DRAWS_A_NODE, len(half_rad)), dtype=bool)
    length = chi2.isf((np.arange(NODES) + 0.5) / NODES, spread.freedom)
    for k, node in enumerate(np.minimum(spread.nodes_rad, LARGEST_RAD)):
        told = rng.standard_normal((DRAWS_A_NODE, len(half_rad)))
        if smooth is not None:
            along = smooth.part_of(told[:, inside])
            residual = told[:, inside] - along
            whole = np.sum(residual**2, axis=1) + (rng.chisquare(others, DRAWS_A_NODE) if others > 0 else 0.0)
            told[:, inside] = along + residual * np.sqrt(length[k] / whole)[:, None]
        # Of a line's variance so much is the stroke's.
        share = np.divide(node**2, node**2 + sd**2, out=np.ones(len(sd)), where=node**2 + sd**2 > 0)
        share = np.where(inside, share, 1.0)
        error = node * (np.sqrt(share) * told + np.sqrt(1 - share) * rng.standard_normal(told.shape))
        made[k] = np.abs(error) <= half_rad
    return made.reshape(-1, len(half_rad))


class _Smooth:
    """The smooth part of weighted lines, as a projection: a constant for each group, then the columns."""

    def __init__(self, basis: Lines, spread: Spread) -> None:
        variance = spread.spread_rad**2 + basis.sd_rad**2
        self._root = 1 / np.sqrt(np.where(variance > 0, variance, 1.0))
        self._order = np.argsort(basis.group, kind="stable")
        ranked = basis.group[self._order]
        self._first = np.flatnonzero(np.diff(ranked, prepend=ranked[0] - 1))
        self._number = np.unique(basis.group, return_inverse=True)[1].reshape(-1)
        self._total = np.add.reduceat(self._root[self._order] ** 2, self._first)
        inner = (self._root[:, None] * basis.columns).T
        self._columns = np.linalg.qr((inner - self._constants(inner)).T)[0]

    def part_of(self, drawn: Vector) -> Vector:
        """Of drawings (d, n)."""
        constants = self._constants(drawn)
        return constants + (drawn - constants) @ self._columns @ self._columns.T

    def _constants(self, drawn: Vector) -> Vector:
        sums = np.add.reduceat((drawn * self._root)[:, self._order], self._first, axis=1)
        constants: Vector = (sums / self._total)[:, self._number] * self._root
        return constants
