"""Lengths in words, one rule for sentences, tables and pictures: centimetres below two metres, metres from there on.

How well a camera places a ball is told in millimetres all the same (placement, checks of the camera).
"""

from math import isfinite, nan

from app.telling.rounding import UNKNOWN, told, told_with_sd
from calibration.table import INCH_M, Table

# From here on metres are told: a tape of everyday use is read in centimetres up to about there.
METRES_FROM_M = 2.0
LEAST_BALL_WIDTHS = 0.05


def measured_length(length_m: float, sd_m: float) -> str:
    """A measured length to the digits that its standard deviation leaves, at most to the centimetre: ``117 cm``."""
    scale, unit, finest = _unit(length_m, 0)
    return f"{told(scale * length_m, scale * sd_m, finest=finest)} {unit}"


def length_with_sd(length_m: float, sd_m: float) -> str:
    """``6.7 ± 0.2 cm``, at most to the millimetre."""
    scale, unit, finest = _unit(length_m, 1)
    return f"{told_with_sd(scale * length_m, scale * sd_m, finest=finest)} {unit}"


def rough_length(length_m: float) -> str:
    """A length that is itself an error, a bound or an expectation: two digits, to the millimetre: ``1.2 cm``."""
    scale, unit, _ = _unit(length_m, 1)
    return f"{told(scale * length_m, nan, finest=1)} {unit}"


def rough_range(low_m: float, high_m: float) -> str:
    """``0.5 to 1.3 cm``, two digits each; the larger says which unit both are in."""
    scale, unit, _ = _unit(high_m, 1)
    return f"{told(scale * low_m, nan, finest=1)} to {told(scale * high_m, nan, finest=1)} {unit}"


def ball_widths(offset_m: float, table: Table) -> str:
    """An expected offset in widths of the table's balls: ``0.3 ball-widths``; what would round to nothing is small."""
    widths = offset_m / (2 * table.ball_radius_m)
    return f"{told(widths, nan, finest=1) if widths >= LEAST_BALL_WIDTHS else 'under 0.1'} ball-widths"


def laid_length(length_m: float) -> str:
    """The size of a length that is to be laid out by tape, to the centimetre however well it is known: ``120 cm``."""
    size = abs(length_m)
    return f"{size:.2f} m" if size >= METRES_FROM_M else f"{100 * size:.0f} cm"


def by_tape(length_m: float) -> str:
    """``120 cm (47 1/4 in)``."""
    return f"{laid_length(length_m)} ({inches(abs(length_m))} in)"


def rough_length_and_inches(length_m: float) -> str:
    """``3.2 cm (1.3 in)``; without the inches where they are none to speak of, a dash for what is not known."""
    if not isfinite(length_m):
        return UNKNOWN
    told_inches = told(length_m / INCH_M, nan, finest=1)
    return rough_length(length_m) if float(told_inches) == 0 else f"{rough_length(length_m)} ({told_inches} in)"


def inches(length_m: float) -> str:
    """A length as a tape shows it, to the eighth of an inch: ``47 1/4``."""
    eighths = round(abs(length_m) / INCH_M * 8)
    whole, rest, parts = eighths // 8, eighths % 8, 8
    while rest and rest % 2 == 0:
        rest, parts = rest // 2, parts // 2
    if not rest:
        return str(whole)
    return f"{whole} {rest}/{parts}" if whole else f"{rest}/{parts}"


def _unit(length_m: float, finest_of_cm: int) -> tuple[float, str, int]:
    """Units to the metre, the unit's name, and the finest decimals to tell."""
    return (1.0, "m", 2) if abs(length_m) >= METRES_FROM_M else (100.0, "cm", finest_of_cm)
