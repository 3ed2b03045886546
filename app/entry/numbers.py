"""Numbers as people say them: ``2.5``, ``2 1/2``, ``two and a half``, ``half a``, ``a quarter of a``, ``three``."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from app.entry.vocabulary import ABOUT, FRACTIONS, NUMBERS

# Nothing on a table takes more digits.
NUMBER = re.compile(r"[0-9]{0,6}(\.[0-9]{1,6})?(?<=[0-9])")
WHOLE = re.compile(r"[0-9]{1,3}")


@dataclass(frozen=True)
class Said:
    """A number as it was said; ``finest`` is the last place that was written, ``about`` that it was called rough."""

    value: float
    finest: float
    about: bool = False


def take_number(words: Sequence[str], begin: int) -> tuple[Said, int] | None:
    """The number that begins at a word, and the index after it; None when none does."""
    k, about = begin, False
    while k < len(words) and words[k] in ABOUT:
        k, about = k + 1, True
    found = _digits(words, k) or _fraction(words, k) or _whole(words, k)
    if found is None:
        return None
    value, finest, k = found
    return take_rest(Said(value, finest, about), words, k)


def take_rest(said: Said, words: Sequence[str], k: int) -> tuple[Said, int]:
    """With the ``and a half`` that may follow a number, or its unit."""
    if k < len(words) and words[k] == "and" and (part := _fraction(words, k + 1)) is not None:
        return replace(said, value=said.value + part[0], finest=min(said.finest, part[1])), part[2]
    return said, k


def _digits(words: Sequence[str], k: int) -> tuple[float, float, int] | None:
    """``2.5``, ``1/2``, ``2 1/2``."""
    if k >= len(words) or not NUMBER.fullmatch(words[k]):
        return None
    value, finest = float(words[k]), 10.0 ** -len(words[k].partition(".")[2])
    over = _over(words, k)
    if over is not None:
        return value / over, 1 / over, k + 3
    over = _over(words, k + 1)
    if finest == 1 and over is not None:
        return value + float(words[k + 1]) / over, 1 / over, k + 4
    return value, finest, k + 1


def _over(words: Sequence[str], k: int) -> float | None:
    """What is written below the stroke of the fraction that begins at a word."""
    if k + 2 >= len(words) or words[k + 1] != "/" or not (WHOLE.fullmatch(words[k]) and WHOLE.fullmatch(words[k + 2])):
        return None
    below = int(words[k + 2])
    return float(below) if below > 0 else None


def _fraction(words: Sequence[str], k: int) -> tuple[float, float, int] | None:
    """``half``, ``half a``, ``a half``, ``a quarter of a``, ``three quarters of a``."""
    count = 1
    if k < len(words) and words[k] in ("a", "an", "one", "three"):
        count = NUMBERS.get(words[k], 1)
        k += 1
    if k >= len(words) or words[k] not in FRACTIONS:
        return None
    part = FRACTIONS[words[k]]
    if count > 1 and not words[k].startswith("quarter"):
        return None
    k += 1
    while k < len(words) and words[k] in ("of", "a", "an", "the"):
        k += 1
    return count * part, part, k


def _whole(words: Sequence[str], k: int) -> tuple[float, float, int] | None:
    if k >= len(words):
        return None
    if words[k] in NUMBERS:
        return float(NUMBERS[words[k]]), 1.0, k + 1
    if words[k] in ("a", "an") and k + 1 < len(words):
        return 1.0, 1.0, k + 1
    return None
