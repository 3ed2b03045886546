"""The chances that a stroke's spread gives each line, and what the lines must be to tell that spread at all."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan

import numpy as np

from app.stroke.delivered import Delivered
from app.stroke.make_chance import make_chance
from app.stroke.own_tries import drawn_makes
from app.stroke.spread import Flags, Lines, Spread, least_spread, smooth_of
from calibration.table import Vector

# A line's sd, as a share of the margin, from which on it is not counted as within or not.
BESIDE_MARGIN = 0.5
# With fewer degrees of freedom any rate might be expected.
LEAST_FOR_CHANCES = 3


@dataclass(frozen=True)
class Chances:
    """Of each line (n,), NaN where its margins are not known: ``steady`` (k, n) at equally likely spreads when aimed at
    the middle of the margins, ``aimed`` as the lines were aimed, ``all`` with what else moves the ball. ``drawn``
    (d, n) are drawings of whether tries that tell this spread are made when aimed at the middle, each as likely as the
    next."""

    steady: Vector
    drawn: Flags
    aimed: Vector
    all: Vector


def unless_hidden(spread: Spread, sets: Sequence[Delivered]) -> Spread:
    """The spread, with NaN for its values where the errors of the lines of ``sets`` hide it.

    Lines that agree better than their stated errors alone would have them put the spread at nothing, by chance or since
    they were read to the same few marks. Where the errors are small beside the margins that is a steady stroke; where
    they are not, a stroke that loses shots would look the same.
    """
    if not spread.known or float(np.median(spread.nodes_rad)) > 0:
        return spread
    telling = np.concatenate([tells_side(lines) for lines in sets])
    if 2 * int(telling.sum()) >= len(telling):
        return spread
    unknown = np.full_like(spread.nodes_rad, nan)
    return replace(spread, spread_rad=nan, sd_rad=nan, low_rad=nan, high_rad=nan, nodes_rad=unknown)


def chances_of(
    lines: Delivered,
    spread: Spread,
    error_rad: Vector,
    error_sd_rad: Vector,
    rest: Spread,
    basis: Lines,
    kept: Flags,
) -> Chances:
    """The chances of all ``lines`` (n,) at a spread that its ``basis``, the lines ``kept`` (n,), has told or a part of.

    ``error_rad`` with its sd (n,) is how far the lines as aimed exceed those needed, and ``rest`` the spread of the
    latter from try to try.
    """
    half, nodes = lines.half_rad, spread.nodes_rad[:, None]
    if spread.freedom < LEAST_FOR_CHANCES:
        nodes = np.full_like(nodes, nan)
    steady = make_chance(half, half, nodes)
    drawn = np.zeros((1, len(lines)), dtype=bool)
    if len(lines) and np.isfinite(nodes).all():
        drawn = drawn_makes(half, lines.sd_rad, basis, kept, spread)
    off = error_rad - lines.best_rad
    # An estimate's square exceeds the truth's by its variance on the mean, and a rate falls with the square.
    off = np.sign(off) * np.sqrt(np.maximum(off**2 - error_sd_rad**2, 0.0))
    more = rest.spread_rad if rest.freedom >= LEAST_FOR_CHANCES else nan
    return Chances(
        steady=steady,
        drawn=drawn,
        aimed=np.mean(make_chance(half, half, nodes, off), axis=0),
        all=np.mean(make_chance(half, half, np.hypot(nodes, more), off), axis=0),
    )


def steady_lines(lines: Delivered, basis: Lines, kept: Flags, spread: Spread) -> Vector:
    """1 for a line (n,) whose stroke's own error is within the margins, 0 for another, NaN where that is not known."""
    steady = np.where(kept, nan, 0.0)
    if spread.known and spread.freedom >= LEAST_FOR_CHANCES:
        level = max(spread.spread_rad, least_spread(basis))
        # A residual is smaller than the error by the line's own part in the smooth one; alone in its group it is none.
        error = smooth_of(basis, level).standardised * np.sqrt(level**2 + basis.sd_rad**2)
        _, number, count = np.unique(basis.group, return_inverse=True, return_counts=True)
        known = count[number.reshape(-1)] > 1
        steady[kept] = np.where(known, (np.abs(error) <= lines.half_rad[kept]).astype(float), nan)
    return np.where(tells_side(lines), steady, nan)


def tells_side(lines: Delivered) -> Flags:
    """Whether a line was measured well enough beside its margins to say on which side of their end it lay."""
    with np.errstate(invalid="ignore"):
        return lines.sd_rad < BESIDE_MARGIN * lines.half_rad
