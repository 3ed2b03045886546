"""One rule for how many digits are told: those that the standard deviation leaves standing.

The rule of the Particle Data Group (Review of Particle Physics, introduction, "Rounding"): with the three leading
digits of the error between 100 and 354 the error keeps two digits, from 355 to 949 one, from 950 it is rounded up to
1000 and keeps two. The value is cut at the same place.
"""

from math import floor, isfinite, log10

UNKNOWN = "–"
# Digits shown of a value whose error is not known: enough to recognise it, too few to promise anything.
SIGNIFICANT_WITHOUT_SD = 2
LEAST_PROBABILITY = 0.001


def decimals(sd: float, *, finest: int, value: float = 0.0) -> int:
    """Digits after the point, negative for tens and hundreds; never more than ``finest``, which a tape could tell."""
    if not isfinite(sd) or sd <= 0:
        if not isfinite(value) or value == 0:
            return finest
        return min(finest, SIGNIFICANT_WITHOUT_SD - 1 - floor(log10(abs(value)))) if sd != 0 else finest
    exponent = floor(log10(sd))
    # 1e-9 guards against 0.1 being stored as 0.0999...
    leading = round(sd / 10.0**exponent * 100 + 1e-9)
    if leading <= 354:
        return min(finest, 1 - exponent)
    return min(finest, -exponent)


def told(value: float, sd: float, *, finest: int) -> str:
    """The value to the digits that are known, with a true minus; a dash when it was not measured."""
    if not isfinite(value):
        return UNKNOWN
    places = decimals(sd, finest=finest, value=value)
    rounded = round(value, places) + 0.0
    text = f"{rounded:.{max(places, 0)}f}"
    return text.replace("-", "−")


def told_with_sd(value: float, sd: float, *, finest: int) -> str:
    """``2.31 ± 0.03``; without the error when that is not known."""
    text = told(value, sd, finest=finest)
    if not isfinite(value) or not isfinite(sd) or sd <= 0:
        return text
    places = decimals(sd, finest=finest)
    shown = round(sd, places)
    # An error below what is shown at all would read as "± 0".
    return f"{text} ± {shown:.{max(places, 0)}f}" if shown > 0 else text


def chance_words(probability: float) -> str:
    """A probability to the digits worth telling: ``0.03``, ``below 0.001``."""
    return f"below {LEAST_PROBABILITY:g}" if probability < LEAST_PROBABILITY else told(probability, 0.005, finest=3)
