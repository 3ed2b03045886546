"""What a fit has thrown together: strokes of different english or speed, different players; said, with the split."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import Any

from app.fitting.attempts_csv import AttemptRow
from vision.shot import SPEED_WORDS_MPS

SPEED_NAMES = sorted(SPEED_WORDS_MPS, key=lambda word: SPEED_WORDS_MPS[word])
# Half-way between the words' own speeds.
SPEED_BOUNDS_MPS = [(SPEED_WORDS_MPS[slower] + SPEED_WORDS_MPS[faster]) / 2 for slower, faster in pairwise(SPEED_NAMES)]


@dataclass(frozen=True)
class Pooled:
    """``by``: english, speed, player or mirrored corner; how many attempts each value has."""

    by: str
    counts: tuple[tuple[str, int], ...]

    def to_json(self) -> dict[str, Any]:
        return {"by": self.by, "attempts": dict(self.counts)}


NOT_KNOWN = "not known"


def speed_word(speed_mps: float) -> str | None:
    """The trade's word for a launch speed; the bounds lie half-way between the words' own speeds."""
    if not isfinite(speed_mps):
        return None
    return SPEED_NAMES[bisect_right(SPEED_BOUNDS_MPS, speed_mps)]


SPLITS: dict[str, Callable[[AttemptRow], str | None]] = {
    "english": lambda row: row.english,
    "speed": lambda row: speed_word(row.speed_mps),
    "player": lambda row: row.player,
}

# What rows can be fitted apart by: days and sessions as well, which are compared without being asked.
APART = SPLITS | {"day": lambda row: row.at[:10] if row.at else None, "session": lambda row: row.session}


def pooled(rows: Sequence[AttemptRow]) -> tuple[Pooled, ...]:
    """What differs among the rows of one fit. Rows that do not say are counted as not known."""
    found = []
    for by, value in SPLITS.items():
        counts = Counter(value(row) or NOT_KNOWN for row in rows)
        if len(counts.keys() - {NOT_KNOWN}) > 1:
            found.append(Pooled(by, tuple(sorted(counts.items()))))
    return tuple(found)


def split(rows: Sequence[AttemptRow], by: str) -> dict[str, list[AttemptRow]]:
    """The rows apart by english, speed, player, day or session, in order of first appearance."""
    parts: dict[str, list[AttemptRow]] = {}
    for row in rows:
        parts.setdefault(APART[by](row) or NOT_KNOWN, []).append(row)
    return parts
