"""Make-rates of a set of tries: all together, first tries and repeats, cut classes, and cells of the table.

Unclear tries are counted, and left out of every rate.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, isfinite, nan
from typing import Any, Literal

import numpy as np

from app.rates.expected_rates import ExpectedRates
from app.rates.intervals import Difference, difference, uneven_chance, wilson
from app.rates.pooling import pool
from app.rates.tries import CUT_CLASSES, Try
from app.stroke.expected import NOTHING, Expected
from app.stroke.stroke_json import expected_json
from calibration.errors import InputError

By = Literal["along", "across", "table"]
# Sights from end to end and from side to side.
SIGHTS_ALONG, SIGHTS_ACROSS = 8, 4
LEAST_CELL_SIGHTS, MOST_CELL_SIGHTS = 0.25, 8.0


@dataclass(frozen=True)
class Cell:
    """A part of the table, in sights from the counting corner."""

    along: tuple[float, float]
    across: tuple[float, float]


@dataclass(frozen=True)
class MakeRate:
    """``made`` of ``tries``; ``unclear`` ones are besides. Shares between 0 and 1, NaN without a try.

    ``low`` and ``high`` are Wilson's limits (95 %). ``pooled`` with its sd is the rate drawn towards that of the cells
    beside it, NaN where there are none. Of the misses ``long`` and ``short`` are counted, and ``other``: left, right,
    on line, or not measured. ``expected`` is what the strokes' spread against the margins gives, as far as known.
    """

    name: str
    tries: int
    made: int
    unclear: int
    rate: float
    low: float
    high: float
    long: int
    short: int
    other: int
    pooled: float = nan
    pooled_sd: float = nan
    cell: Cell | None = None
    expected: Expected = NOTHING

    @property
    def lean_chance(self) -> float:
        """Chance of misses so uneven when long and short are as likely; NaN without any."""
        return uneven_chance(self.long, self.short)

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "name": self.name,
            "tries": self.tries,
            "made": self.made,
            "unclear": self.unclear,
            "rate": _null(self.rate),
            "low": _null(self.low),
            "high": _null(self.high),
            "pooled": _null(self.pooled),
            "pooled_sd": _null(self.pooled_sd),
            "long": self.long,
            "short": self.short,
            "other": self.other,
            "lean_chance": _null(self.lean_chance),
            "expected": expected_json(self.expected),
        }
        if self.cell is not None:
            out |= {"along_sights": list(self.cell.along), "across_sights": list(self.cell.across)}
        return out


@dataclass(frozen=True)
class RatesApart:
    """Two sets of tries and the difference of their rates, first less second."""

    first: MakeRate
    second: MakeRate
    difference: Difference

    def to_json(self) -> dict[str, Any]:
        d = self.difference
        return {
            "first": self.first.to_json(),
            "second": self.second.to_json(),
            "difference": {"value": _null(d.value), "low": _null(d.low), "high": _null(d.high)},
            "told_apart": d.told_apart,
        }


@dataclass(frozen=True)
class MakeRates:
    """``cells`` are those with any try, in order of place; ``unplaced`` tries have no measured start."""

    overall: MakeRate
    first: MakeRate
    repeats: MakeRate
    cuts: tuple[MakeRate, ...]
    cells: tuple[MakeRate, ...]
    unplaced: int
    apart: RatesApart | None = None

    def groups(self) -> list[tuple[str, MakeRate]]:
        """All rates in order, each with what it is one of."""
        out = [("all", self.overall), ("order", self.first), ("order", self.repeats)]
        out += [("cut", rate) for rate in self.cuts] + [("cell", rate) for rate in self.cells]
        if self.apart is not None:
            out += [("compared", self.apart.first), ("compared", self.apart.second)]
        return out

    def to_json(self) -> dict[str, Any]:
        return {
            "overall": self.overall.to_json(),
            "first_tries": self.first.to_json(),
            "repeats": self.repeats.to_json(),
            "cuts": [rate.to_json() for rate in self.cuts],
            "cells": [rate.to_json() for rate in self.cells],
            "unplaced": self.unplaced,
            "compared": None if self.apart is None else self.apart.to_json(),
        }


def make_rate(name: str, tries: Sequence[Try], expected: ExpectedRates | None = None) -> MakeRate:
    """The rate of a set of tries, beside the expected one if the chances are given."""
    made = sum(t.outcome == "made" for t in tries)
    missed = [t for t in tries if t.outcome == "missed"]
    counted = made + len(missed)
    low, high = wilson(made, counted)
    long, short = (sum(t.side == side for t in missed) for side in ("long", "short"))
    return MakeRate(
        name=name,
        tries=counted,
        made=made,
        unclear=len(tries) - counted,
        rate=made / counted if counted else nan,
        low=low,
        high=high,
        long=long,
        short=short,
        other=len(missed) - long - short,
        expected=NOTHING if expected is None else expected.of(tries),
    )


def make_rates(
    tries: Sequence[Try], by: By = "along", cell_sights: float = 1.0, expected: ExpectedRates | None = None
) -> MakeRates:
    """Rates of ``tries``, by cells of ``cell_sights`` along the long rails, across the table, or over it.

    Raises InputError for cells of another size than LEAST_CELL_SIGHTS to MOST_CELL_SIGHTS.
    """
    groups = [(name, [t for t in tries if t.cut == name]) for name in CUT_CLASSES]
    cuts = [make_rate(name, mine, expected) for name, mine in groups if mine]
    return MakeRates(
        overall=make_rate("all tries", tries, expected),
        first=make_rate("first tries", [t for t in tries if t.repeat is False], expected),
        repeats=make_rate("repeats", [t for t in tries if t.repeat], expected),
        cuts=_pooled(cuts),
        cells=_pooled(_cells(tries, by, cell_sights, expected)),
        unplaced=sum(not (isfinite(t.along) and isfinite(t.across)) for t in tries),
    )


def compare_rates(
    names: tuple[str, str], first: Sequence[Try], second: Sequence[Try], expected: ExpectedRates | None = None
) -> RatesApart:
    """Two players, or two periods: their rates and the interval of the difference."""
    one, other = make_rate(names[0], first, expected), make_rate(names[1], second, expected)
    return RatesApart(one, other, difference((one.made, one.tries), (other.made, other.tries)))


def _cells(tries: Sequence[Try], by: By, size: float, expected: ExpectedRates | None) -> list[MakeRate]:
    if not LEAST_CELL_SIGHTS <= size <= MOST_CELL_SIGHTS:
        raise InputError(
            f"cells of {size:g} sights cannot be used; choose between {LEAST_CELL_SIGHTS:g} and {MOST_CELL_SIGHTS:g}."
        )
    along, across = _bins(SIGHTS_ALONG, size, by != "across"), _bins(SIGHTS_ACROSS, size, by != "along")
    mine: dict[tuple[int, int], list[Try]] = {}
    for t in tries:
        if isfinite(t.along) and isfinite(t.across):
            mine.setdefault((along(t.along), across(t.across)), []).append(t)
    out = []
    for (i, j), those in sorted(mine.items()):
        cell = Cell(_limits(i, SIGHTS_ALONG, size, by != "across"), _limits(j, SIGHTS_ACROSS, size, by != "along"))
        parts = []
        if by != "across":
            parts.append(f"{cell.along[0]:g} to {cell.along[1]:g} along")
        if by != "along":
            parts.append(f"{cell.across[0]:g} to {cell.across[1]:g} across")
        out.append(replace(make_rate(", ".join(parts), those, expected), cell=cell))
    return out


def _bins(sights: int, size: float, parted: bool) -> Callable[[float], int]:
    """Which cell a count of sights falls into; a start on the far nose belongs to the last one."""
    last = ceil(sights / size) - 1 if parted else 0
    return lambda count: min(max(floor(count / size), 0), last)


def _limits(k: int, sights: int, size: float, parted: bool) -> tuple[float, float]:
    return (k * size, min((k + 1) * size, float(sights))) if parted else (0.0, float(sights))


def _pooled(rates: Sequence[MakeRate]) -> tuple[MakeRate, ...]:
    if not rates:
        return ()
    found = pool(np.array([r.made for r in rates], dtype=float), np.array([r.tries for r in rates], dtype=float))
    return tuple(
        replace(r, pooled=float(p), pooled_sd=float(sd)) for r, p, sd in zip(rates, found.rate, found.sd, strict=True)
    )


def _null(value: float) -> float | None:
    return float(value) if isfinite(value) else None
