"""Places told by tape from a rail: against places worked out by hand, in inches."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.card.tape import lay_tape
from app.telling.lengths import inches
from tests.app.test_aim_card import INCH
from tests.app.test_fit import TABLE


# Worked by hand: sights 12 1/2 in apart on the side rails and on the end rails of a 9-ft table.
@pytest.mark.parametrize(
    ("place_in", "tape"),
    [
        ((100 - 3.5 * 12.5, 50 + 47.25), ("left", "foot-left", 3.5, 43.75, 47.25, 3, 6.25)),
        ((104.0, 60.0), ("left", "foot-left", -0.32, -4.0, 10.0, 1, -16.5)),
        ((-5.0, 90.0), ("left", "head-left", -0.4, -5.0, 40.0, 1, -17.5)),
        ((120.0, 20.0), ("foot", "foot-right", 1.6, 20.0, 20.0, 2, -5.0)),
        ((40.0, -30.0), ("right", "foot-right", 4.8, 60.0, 30.0, 5, -2.5)),
        ((50.0, 20.0), ("left", "foot-left", 4.0, 50.0, -30.0, 3, 12.5)),
    ],
)
def test_the_tape(place_in: tuple[float, float], tape: tuple[str, str, float, float, float, int, float]) -> None:
    found = lay_tape(np.array(place_in) * INCH, "left", "foot-right", TABLE)
    assert (found.rail, found.corner) == tape[:2]
    assert (found.sight, found.along_m / INCH, found.out_m / INCH) == pytest.approx(tape[2:5])
    # The side pocket stands in the place of the fourth sight: nothing to measure from.
    assert (found.mark, found.from_mark_m / INCH) == pytest.approx(tape[5:])


@given(eighths=st.integers(0, 4000), off=st.floats(-0.0015, 0.0015))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_inches_to_the_eighth(eighths: int, off: float) -> None:
    words = inches(eighths * INCH / 8 + (off if eighths else abs(off)))
    assert sum(Fraction(part) for part in words.split()) == Fraction(eighths, 8)
    if "/" in words:
        numerator, denominator = words.split()[-1].split("/")
        assert int(numerator) % 2 == 1
        assert int(denominator) in (2, 4, 8)
