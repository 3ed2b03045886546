"""What rate a set of tries ought to have: the spread of the strokes that made it against the shots' margins."""

from collections.abc import Iterable, Sequence

import numpy as np

from app.rates.tries import Try
from app.stroke.expected import NOTHING, Expected, expect
from app.stroke.from_log import ShotStroke
from app.stroke.spread import Flags


class ExpectedRates:
    """Chances of the log's tries, by the strokes to which they belong."""

    def __init__(self, strokes: Iterable[ShotStroke]) -> None:
        # Of each attempt the stroke that it belongs to, and whether it is made in each of that stroke's drawings.
        self._drawn: dict[int, tuple[int, Flags]] = {}
        for number, one in enumerate(strokes):
            steady = one.stroke.chances.steady
            for k, logged in enumerate(one.stroke.lines.attempts):
                if np.isfinite(steady[:, k]).all():
                    self._drawn[logged.id] = number, one.stroke.chances.drawn[:, k]

    def of(self, tries: Sequence[Try]) -> Expected:
        """Made against expected, of those tries whose chance and outcome are known."""
        made = 0
        by_stroke: dict[int, list[Flags]] = {}
        for t in tries:
            if t.id in self._drawn and t.outcome in ("made", "missed"):
                number, drawn = self._drawn[t.id]
                by_stroke.setdefault(number, []).append(drawn)
                made += t.outcome == "made"
        return expect(made, [np.column_stack(columns) for columns in by_stroke.values()]) if by_stroke else NOTHING
