"""Intervals of a make-rate and of the difference of two. Rates are shares between 0 and 1, NaN without a try."""

from dataclasses import dataclass
from math import hypot, nan, sqrt
from typing import Final

from scipy.stats import beta, binom, norm

LEVEL: Final = 0.95


@dataclass(frozen=True)
class Difference:
    """Rate of the first less that of the second, with its interval; NaN when either has no try."""

    value: float
    low: float
    high: float

    @property
    def told_apart(self) -> bool:
        """No difference at all lies outside the interval."""
        return self.low > 0 or self.high < 0


def wilson(made: int, tries: int, level: float = LEVEL) -> tuple[float, float]:
    """Wilson's score interval of a rate, lower and upper limit.

    Brown, Cai and DasGupta (Statistical Science 16, 101-133, 2001) recommend it for few tries: it covers about what it
    says, and stays within 0 and 1. Formula: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1.

    Raises ValueError when the counts cannot be.
    """
    _check(made, tries, level)
    if tries == 0:
        return nan, nan
    z = float(norm.ppf(0.5 + level / 2))
    rate = made / tries
    middle = rate + z * z / (2 * tries)
    half = z * sqrt(rate * (1 - rate) / tries + z * z / (4 * tries * tries))
    whole = 1 + z * z / tries
    # None or all made: the limit is 0 or 1 exactly, which the arithmetic only nearly gives.
    low = 0.0 if made == 0 else (middle - half) / whole
    high = 1.0 if made == tries else (middle + half) / whole
    return low, high


def clopper_pearson(made: int, tries: int, level: float = LEVEL) -> tuple[float, float]:
    """The exact interval, which never covers less than it says and is wider for it (same source).

    Raises ValueError when the counts cannot be.
    """
    _check(made, tries, level)
    if tries == 0:
        return nan, nan
    tail = (1 - level) / 2
    low = 0.0 if made == 0 else float(beta.ppf(tail, made, tries - made + 1))
    high = 1.0 if made == tries else float(beta.ppf(1 - tail, made + 1, tries - made))
    return low, high


def difference(first: tuple[int, int], second: tuple[int, int], level: float = LEVEL) -> Difference:
    """Rate of ``first`` (made, tries) less that of ``second``, two independent sets of tries.

    Newcombe's hybrid score interval (Statistics in Medicine 17, 873-890, 1998, method 10; formula from memory): from
    each rate to its own Wilson limit, added as the sides of a right angle.

    Raises ValueError when the counts cannot be.
    """
    (low1, high1), (low2, high2) = wilson(*first, level), wilson(*second, level)
    if first[1] == 0 or second[1] == 0:
        return Difference(nan, nan, nan)
    rate1, rate2 = first[0] / first[1], second[0] / second[1]
    value = rate1 - rate2
    return Difference(value, value - hypot(rate1 - low1, high2 - rate2), value + hypot(high1 - rate1, rate2 - low2))


def uneven_chance(one: int, other: int) -> float:
    """Chance of counts as uneven as these, to either side, when both kinds are as likely (the sign test, exact); NaN
    without any.

    Raises ValueError when the counts cannot be.
    """
    if one < 0 or other < 0:
        raise ValueError(f"counts of {one} and {other} cannot be")
    if one + other == 0:
        return nan
    return min(1.0, 2 * float(binom.cdf(min(one, other), one + other, 0.5)))


def _check(made: int, tries: int, level: float) -> None:
    if not 0 <= made <= tries:
        raise ValueError(f"{made} made of {tries} tries cannot be")
    if not 0 < level < 1:
        raise ValueError(f"a level of {level} is not between 0 and 1")
