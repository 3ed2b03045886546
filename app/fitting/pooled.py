"""What a fit has thrown together: strokes of different english or speed, different players; said, with the split."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import Any

from app.fitting.attempts_csv import AttemptRow
from vision.shot import SPEED_WORDS_MPS


@dataclass(frozen=True)
class Pooled:
    """``by``: english, speed or player; how many attempts each value has."""

    by: str
    counts: tuple[tuple[str, int], ...]

    def to_json(self) -> dict[str, Any]:
        return {"by": self.by, "attempts": dict(self.counts)}


def speed_word(speed_mps: float) -> str | None:
    """The trade's word for a launch speed; the bounds lie half-way between the words' own speeds."""
    if not isfinite(speed_mps):
        return None
    words = sorted(SPEED_WORDS_MPS.items(), key=lambda item: item[1])
    for (word, speed), (_, faster) in pairwise(words):
        if speed_mps < (speed + faster) / 2:
            return word
    return words[-1][0]


SPLITS: dict[str, Callable[[AttemptRow], str | None]] = {
    "english": lambda row: row.english,
    "speed": lambda row: speed_word(row.speed_mps),
    "player": lambda row: row.player,
}


def pooled(rows: Sequence[AttemptRow]) -> tuple[Pooled, ...]:
    """What differs among the rows of one fit. Rows that do not say are counted as not known."""
    found = []
    for by, value in SPLITS.items():
        counts = Counter(value(row) or "not known" for row in rows)
        if len(counts.keys() - {"not known"}) > 1:
            found.append(Pooled(by, tuple(sorted(counts.items()))))
    return tuple(found)


def split(rows: Sequence[AttemptRow], by: str) -> dict[str, list[AttemptRow]]:
    """The rows apart by english, speed or player, in order of first appearance."""
    parts: dict[str, list[AttemptRow]] = {}
    for row in rows:
        parts.setdefault(SPLITS[by](row) or "not known", []).append(row)
    return parts
