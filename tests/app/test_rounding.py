"""Rounding to what is known, against the published rule and its examples."""

from math import nan

import pytest

from app.telling.rounding import told, told_with_sd


# Review of Particle Physics (Particle Data Group), introduction, "Rounding" (from memory): 0.827 +- 0.119 appears as
# 0.83 +- 0.12, and 0.827 +- 0.367 as 0.8 +- 0.4. The third case is the rule's own range 950 to 999.
@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [(0.827, 0.119, "0.83 ± 0.12"), (0.827, 0.367, "0.8 ± 0.4"), (14.674, 0.964, "14.7 ± 1.0")],
)
def test_the_published_rule(value: float, sd: float, text: str) -> None:
    assert told_with_sd(value, sd, finest=6) == text


@pytest.mark.parametrize(
    ("value", "sd", "finest", "text"),
    [
        (2.3456, 0.0001, 2, "2.35"),
        (-0.049, 0.02, 3, "−0.049"),
        (-0.0004, 0.1, 2, "0.00"),
        (1234.0, 300.0, 1, "1230"),
        (1234.0, 400.0, 1, "1200"),
        (nan, 0.1, 2, "–"),
        (0.123456, nan, 6, "0.12"),
        (123.4, nan, 1, "120"),
        (5.0, 0.0, 2, "5.00"),
    ],
)
def test_edges(value: float, sd: float, finest: int, text: str) -> None:
    assert told(value, sd, finest=finest) == text


def test_an_unknown_error_is_not_made_up() -> None:
    assert told_with_sd(2.31, nan, finest=2) == "2.3"
    assert told_with_sd(nan, 0.1, finest=2) == "–"
