"""Lengths in words: one rule for sentences, tables and pictures."""

from math import inf, nan

import pytest

from app.telling.lengths import (
    by_tape,
    laid_length,
    length_with_sd,
    measured_length,
    rough_length,
    rough_length_and_inches,
    rough_range,
)


@pytest.mark.parametrize(
    ("length_m", "sd_m", "words"),
    [
        (1.174, 0.004, "117 cm"),
        (1.174, 0.6, "120 cm"),
        (1.994, 0.01, "199 cm"),
        (2.0, 0.01, "2.00 m"),
        (2.434, 0.5, "2.4 m"),
        (-0.302, 0.01, "−30 cm"),
        (nan, 0.01, "– cm"),
    ],
)
def test_measured_to_what_is_known(length_m: float, sd_m: float, words: str) -> None:
    assert measured_length(length_m, sd_m) == words


def test_rough_in_two_digits() -> None:
    assert [rough_length(v) for v in (0.0023, 0.0234, 0.234, 1.94, 2.34)] == [
        "0.2 cm",
        "2.3 cm",
        "23 cm",
        "190 cm",
        "2.3 m",
    ]
    assert rough_range(0.0023, 0.0234) == "0.2 to 2.3 cm"
    # One unit for both ends, that of the larger.
    assert rough_range(1.2, 3.4) == "1.2 to 3.4 m"


def test_inches_only_where_there_are_any() -> None:
    assert rough_length_and_inches(0.0234) == "2.3 cm (0.9 in)"
    assert rough_length_and_inches(0.0004) == "0.0 cm"
    assert rough_length_and_inches(inf) == "–"
    assert by_tape(-1.2) == "120 cm (47 1/4 in)"
    assert laid_length(2.122) == "2.12 m"


def test_with_standard_deviation() -> None:
    assert length_with_sd(0.0671, 0.0021) == "6.7 ± 0.2 cm"
    assert length_with_sd(2.434, 0.5) == "2.4 ± 0.5 m"
