"""How well a person tells a place, a miss and a speed: the standard deviations of what is entered by hand.

Two errors add in quadrature: the rounding to what people say (a quarter of a sight, half a ball; an even spread over a
step has sd step / sqrt(12)), and the eye's own. All constants here are common practice, no source; where a number is
reckoned, the reckoning stands beside it.
"""

from math import hypot, sqrt

from app.entry.numbers import Said
from app.entry.vocabulary import UNIT_M, Unit
from app.fitting.pooled import SPEED_BOUNDS_MPS, SPEED_NAMES
from calibration.table import Rail, Table
from vision.shot import SPEED_WORDS_MPS

# A sight is read to the quarter; someone who says 3.3 reads to the tenth. The coarsest step that a number is a multiple
# of is taken for the one that was meant: 2.5 is as likely two and two quarters as it is twenty-five tenths.
SIGHT_STEPS = (0.25, 0.1, 0.05, 0.01)
# The middle of a ball, or of a stick laid over the rail, is found to about a quarter of a ball's width, 14 mm: a
# twentieth of a sight.
SIGHT_EYE = 0.05
# Half of that error's variance is the reader's own way of looking, where he stands and from how high: alike in all that
# he reads, it does not average out.
HABIT_SHARE = 0.5
BALL_STEPS = (0.5, 0.25, 0.1, 0.05, 0.01)
# A ball passes its target in a moment: where it passed is seen to about a sixth of its width, and a wide miss worse,
# since nothing stands beside it to compare it with.
BALL_EYE = 0.15
WIDE_SHARE = 0.1
# A tape laid to the middle of a ball.
TAPE_EYE_M = 0.005
# A word for a speed spans the range up to the next word's, evenly; the outer ones as far as their inner bound.
# A number is from a phone's app, a stopwatch or a guess of someone who has one.
SPEED_SHARE = 0.1
# "About" doubles the rounding.
ABOUT_FACTOR = 2.0


def sight_sd(said: Said) -> float:
    """In sights."""
    return hypot(_rounding(said, SIGHT_STEPS), SIGHT_EYE)


def habit_share(said: Said) -> float:
    """What share of the sd of a sight that was read all of one reader's entries have in common."""
    return sqrt(HABIT_SHARE) * SIGHT_EYE / sight_sd(said)


def place_sd_m(said: Said, unit: Unit, spacing_m: float) -> float:
    """Of a coordinate of a start, metres."""
    if unit == "sight":
        return sight_sd(said) * spacing_m
    return hypot(_rounding(said, (said.finest,)) * UNIT_M[unit], TAPE_EYE_M)


def miss_sd_m(said: Said, unit: Unit, unit_m: float, table: Table) -> float:
    """Of a miss, square to the path, metres; ``unit_m`` is what one unit is worth there."""
    steps = {"ball": BALL_STEPS, "sight": SIGHT_STEPS}.get(unit, (said.finest,))
    eye_m = BALL_EYE * 2 * table.ball_radius_m
    return hypot(_rounding(said, steps) * unit_m, eye_m, WIDE_SHARE * said.value * unit_m)


def speed_of(said: str | float) -> tuple[float, float]:
    """Speed and its standard deviation, m/s."""
    if not isinstance(said, str):
        return said, SPEED_SHARE * said
    middle = SPEED_WORDS_MPS[said]
    k = SPEED_NAMES.index(said)
    below = middle - SPEED_BOUNDS_MPS[k - 1] if k > 0 else SPEED_BOUNDS_MPS[k] - middle
    above = SPEED_BOUNDS_MPS[k] - middle if k < len(SPEED_BOUNDS_MPS) else below
    return middle, (below + above) / sqrt(12)


def spacing_m(rail: Rail, table: Table) -> float:
    """Distance of two sights of a rail."""
    return table.length_m / 8 if rail in ("left", "right") else table.width_m / 4


def _rounding(said: Said, steps: tuple[float, ...]) -> float:
    step = next((s for s in steps if abs(said.value / s - round(said.value / s)) < 1e-6), steps[-1])
    if said.finest < steps[-1]:
        step = said.finest
    return step / sqrt(12) * (ABOUT_FACTOR if said.about else 1.0)
