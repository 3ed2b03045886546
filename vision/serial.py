"""How much the errors of neighbouring sightings repeat each other.

A coded film copies a block of a picture, and what is wrong with it, into the next picture: neighbouring sightings err
alike, and a mean of n of them is less sure than one of n independent ones.
"""

from collections.abc import Sequence
from math import isqrt

from calibration.table import Vector

# Fewer sightings in a row say nothing of how alike they are.
LEAST_TOLD = 8
# The outline of a smeared ball is no circle: its edges scatter, ahead and behind alike, by more than its centre is off.
# What sightings state is twice to five times what the paths of one film show, and two thirds of it in another. Where
# that differs so much, it weighs no more than a few residuals.
STATED_WORTH = 4.0


def inflation(runs: Sequence[Vector]) -> float:
    """By how much a mean's variance exceeds that of as many independent errors.

    ``runs`` are residuals, each (n,) in order of time, of stretches that err alike. It is the long-run variance over
    the plain one, with the triangular weights of Newey & West (Econometrica 55, 1987) as far as the square root of n;
    1 when neighbours are not alike, or are too few to tell.
    """
    power = alike = 0.0
    for left in runs:
        n = len(left)
        if n < LEAST_TOLD:
            continue
        reach = isqrt(n)
        power += float(left @ left)
        alike += sum((1 - lag / (reach + 1)) * float(left[lag:] @ left[:-lag]) for lag in range(1, reach + 1))
    return max(1 + 2 * alike / power, 1.0) if power > 0 else 1.0


def excess(left: Vector, freedom: int) -> float:
    """By how much the variance of what is fitted is off the one that follows from the stated errors, as a factor.

    That is ``share_of_stated`` of the same residuals (n,), and what neighbours have in common besides (``inflation``).
    """
    return share_of_stated(left, freedom) * inflation([left]) if freedom > 0 else 1.0


def share_of_stated(left: Vector, freedom: int) -> float:
    """By how much the variances of errors are off the stated ones, as a factor.

    ``left`` (n,) are residuals in units of the stated standard deviations, in order of time; ``freedom`` how many of
    them the fit left free. What is stated counts as much as ``STATED_WORTH`` residuals would: the mean of the scaled
    inverse chi-square that they make of a prior of that worth (Gelman et al., Bayesian Data Analysis, section 2.6).
    """
    return (STATED_WORTH + float(left @ left)) / (STATED_WORTH + freedom) if freedom > 0 else 1.0
