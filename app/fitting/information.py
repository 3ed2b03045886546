"""Information matrices of family and nuisances, and how they are solved where most nuisances have nothing in common.

The turns of different clips share no row, so that their block of the information is a diagonal. They are eliminated
first (Schur's complement), and what is left is a matrix of the family, the gain and little else, however many clips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting.likelihood import Observations
from calibration.table import Vector

# What a batch may be indexed with.
Kept = NDArray[np.bool_] | NDArray[np.int_] | int | None


@dataclass(frozen=True)
class Information:
    """A batch (...) of information matrices of family and nuisances, in that order.

    ``core`` (..., s, s) is the block of the family and those nuisances that share rows with others, ``across``
    (..., s, t) what these have in common with the t others, ``own`` (..., t) the diagonal of the others.
    """

    core: Vector
    across: Vector
    own: Vector

    @property
    def dense(self) -> Vector:
        """The whole matrices, (..., s + t, s + t)."""
        s, t = self.across.shape[-2:]
        whole = np.zeros((*self.core.shape[:-2], s + t, s + t))
        whole[..., :s, :s], whole[..., :s, s:] = self.core, self.across
        whole[..., s:, :s] = self.across.swapaxes(-1, -2)
        i = np.arange(s, s + t)
        whole[..., i, i] = self.own
        return whole

    def at(self, kept: Kept) -> "Information":
        """Some of the batch; ``None`` puts all of it in a batch of one."""
        return Information(self.core[kept], self.across[kept], self.own[kept])

    def put(self, kept: NDArray[np.int_], other: "Information") -> None:
        """Replace some of the batch."""
        self.core[kept], self.across[kept], self.own[kept] = other.core, other.across, other.own

    def followed_by(self, other: "Information") -> "Information":
        """Both batches as one."""
        pairs = ((self.core, other.core), (self.across, other.across), (self.own, other.own))
        return Information(*(np.concatenate(pair) for pair in pairs))

    def without(self, held: Sequence[int]) -> "Information":
        """The matrices of what is left when some of the core's parameters are held."""
        if not held:
            return self
        free = [k for k in range(self.core.shape[-1]) if k not in held]
        return Information(self.core[..., free, :][..., free], self.across[..., free, :], self.own)

    def holding(self, held: Sequence[int]) -> "Information":
        """As it is when some of the core's parameters are held, these with an information of 1 alone."""
        if not held:
            return self
        core, across, which = self.core.copy(), self.across.copy(), list(held)
        core[..., which, :] = core[..., :, which] = across[..., which, :] = 0.0
        core[..., which, which] = 1.0
        return Information(core, across, self.own)

    def raised(self, share: float, least: float) -> "Information":
        """With diagonals raised by a share of themselves and a constant."""
        core, s = self.core.copy(), self.core.shape[-1]
        diagonal = core.reshape(*core.shape[:-2], s * s)[..., :: s + 1]
        diagonal += share * diagonal + least
        return Information(core, self.across, self.own + (share * self.own + least))

    def solve(self, right: Vector) -> Vector:
        """The solution (..., s + t) for right sides of that shape."""
        s = self.core.shape[-1]
        if not self.own.shape[-1]:
            alone: Vector = np.asarray(np.linalg.solve(self.core, right[..., None])[..., 0], dtype=np.float64)
            return alone
        ratio = self.across / self.own[..., None, :]
        inner = self.core - np.matmul(ratio, self.across.swapaxes(-1, -2))
        first = np.linalg.solve(inner, right[..., :s, None] - np.matmul(ratio, right[..., s:, None]))
        rest = right[..., s:] - np.matmul(first.swapaxes(-1, -2), self.across)[..., 0, :]
        return np.concatenate([first[..., 0], rest / self.own], axis=-1)

    @property
    def reduced(self) -> Vector:
        """Information on the core alone, all others fitted along, (..., s, s)."""
        if not self.own.shape[-1]:
            return self.core
        return self.core - np.matmul(self.across / self.own[..., None, :], self.across.swapaxes(-1, -2))

    @property
    def covariance(self) -> Vector:
        """Covariance of the core, all others taken into account, (..., s, s)."""
        return np.asarray(np.linalg.inv(self.reduced), dtype=np.float64)

    def log_determinant(self, prior: Vector | None = None, first: int = 0) -> Vector:
        """Logarithm of the determinants, (...), of all from the core's ``first`` parameter on; ``prior`` (s,) is added
        to the core's diagonal."""
        inner = (self.reduced if prior is None else self.reduced + np.diag(prior))[..., first:, first:]
        found: Vector = np.linalg.slogdet(inner)[1]
        return found + np.log(self.own).sum(axis=-1) if self.own.shape[-1] else found


def gathered(obs: Observations, columns: Vector, weight: Vector) -> Information:
    """The information of rows that count with ``weight`` (..., n), with the nuisances' prior; ``columns`` (..., f, n)
    is the derivative of the needed bearings by the family, or what is fitted of it."""
    weighted = columns * weight[..., None, :]
    batch, n, f, q = weight.shape[:-1], weight.shape[-1], columns.shape[-2], obs.nuisance_rad.shape[1]
    family = np.matmul(weighted, columns.swapaxes(-1, -2))
    if not q:
        return Information(family, np.zeros((*batch, f, 0)), np.zeros((*batch, 0)))
    t = obs.apart
    r = q - t
    # One product of two matrices for all of the batch, not one for each.
    mixed = (weighted.reshape(-1, n) @ obs.nuisance_rad).reshape(*batch, f, q)
    among = (weight.reshape(-1, n) @ obs.nuisance_products).reshape(*batch, r * q + t)
    overlapping = among[..., : r * q].reshape(*batch, r, q)
    core = np.empty((*batch, f + r, f + r))
    core[..., :f, :f], core[..., :f, f:] = family, mixed[..., :r]
    core[..., f:, :f] = mixed[..., :r].swapaxes(-1, -2)
    core[..., f:, f:] = overlapping[..., :r] + np.eye(r)
    if not t:
        return Information(core, np.zeros((*batch, f + r, 0)), np.zeros((*batch, 0)))
    return Information(core, np.concatenate([mixed[..., r:], overlapping[..., r:]], axis=-2), among[..., r * q :] + 1.0)
