"""Make-rates in words and as tables: for the terminal, the coach's page and a file of CSV."""

import csv
from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from typing import TextIO

from app.rates.from_log import Answer
from app.rates.make_rates import MakeRate, MakeRates, RatesApart
from app.stroke.analysis import SURE
from app.telling.coach import Figures
from app.telling.rounding import UNKNOWN
from app.telling.stroke_words import expected_words

EVENED = "evened out"
EXPECTED = "expected"
COLUMNS = ("", "made", "rate", "95 %", EXPECTED, EVENED, "misses", "unclear")
CSV_COLUMNS = (
    "group",
    "name",
    "tries",
    "made",
    "unclear",
    "rate",
    "low",
    "high",
    "pooled",
    "pooled_sd",
    "long",
    "short",
    "other",
    "along_from_sights",
    "along_to_sights",
    "across_from_sights",
    "across_to_sights",
    "expected",
    "expected_low",
    "expected_high",
    "expected_of_tries",
    "lean_chance",
)
EVENED_OUT = (
    "Evened out: drawn towards the rate of all of them, the more the fewer the tries, so that two tries do not shout."
)
EXPECTED_TOLD = (
    "Expected: from the spread of the lines and the margins, aimed at their middle; in brackets what chance allows."
)


def percent(share: float) -> str:
    """``67 %``; a dash where nothing was tried."""
    return f"{100 * share:.0f} %" if isfinite(share) else UNKNOWN


def rate_words(rate: MakeRate) -> str:
    """``6 of 9 made, 67 % (95 %: 35 to 88 %)``, and how many are unclear."""
    unclear = f"; {rate.unclear} unclear" if rate.unclear else ""
    if not rate.tries:
        return f"no try counted{unclear}"
    limits = f"{100 * rate.low:.0f} to {percent(rate.high)}"
    return f"{rate.made} of {rate.tries} made, {percent(rate.rate)} (95 %: {limits}){unclear}"


def apart_words(apart: RatesApart) -> str:
    """One sentence on the difference of two sets of tries."""
    d = apart.difference
    if not isfinite(d.value):
        return f"{apart.first.name} and {apart.second.name} cannot be compared: one of them has no try that counts."
    points = f"{_signed(d.value)} percentage points (95 %: {_signed(d.low)} to {_signed(d.high)})"
    verdict = "more than chance" if d.told_apart else "no more than chance may give"
    return f"{apart.first.name} less {apart.second.name}: {points}, {verdict}."


def rate_figures(answer: Answer) -> tuple[Figures, ...]:
    """The tables of an answer, those left out in which nothing stands."""
    rates, corner = answer.rates, answer.corner
    order = [r for r in (rates.overall, rates.first, rates.repeats) if r.tries or r.unclear]
    where = f"Starts in sights from the {corner} corner."
    if rates.unplaced:
        where += f" {rates.unplaced} with no measured start left out."
    found = [
        _figures("All tries", "A repeat follows right on the same shot from the same place.", order),
        _figures(
            "By cut",
            "Straight: up to 5° either way. Cut in: the ball leaves squarer to the rail than the cue ball came; "
            "back cut: flatter.",
            rates.cuts,
        ),
        _figures("By place", where, rates.cells),
    ]
    if rates.apart is not None:
        both = (rates.apart.first, rates.apart.second)
        found.append(_figures("Compared", apart_words(rates.apart), both))
    found = [figures for figures in found if figures.rows]
    # Said once, where the column first stands.
    first = next((k for k, figures in enumerate(found) if EVENED in figures.columns), None)
    if first is not None:
        found[first] = replace(found[first], note=f"{found[first].note} {EVENED_OUT}")
    if found and any(EXPECTED in figures.columns for figures in found):
        first = next(k for k, figures in enumerate(found) if EXPECTED in figures.columns)
        found[first] = replace(found[first], note=f"{found[first].note} {EXPECTED_TOLD}")
    return tuple(found)


def unlike_expected(rates: MakeRates) -> list[str]:
    """Sentences on rates that differ from the expected ones by more than chance; of many places only those that would
    stand out among so many."""
    told = [(rates.overall, SURE), *((cell, SURE / len(rates.cells)) for cell in rates.cells)]
    said = []
    for rate, level in told:
        e = rate.expected
        if e.tries and e.chance < level:
            kind = "fewer" if e.made < e.mean else "more"
            counted = f"{e.made} of {e.tries} made, {e.mean:.0f} expected"
            said.append(f"{_capital(rate.name)}: {kind} than the strokes explain ({counted}).")
    return said


def leaning(rates: MakeRates) -> list[str]:
    """Sentences on misses that go long more often than short, or the other way, by more than chance; of many places
    only those that would stand out among so many."""
    told = [(rates.overall, SURE), *((cell, SURE / len(rates.cells)) for cell in rates.cells)]
    return [
        f"{_capital(rate.name)}: the misses go {'long' if rate.long > rate.short else 'short'} more often than chance "
        f"gives ({rate.long} long, {rate.short} short)."
        for rate, level in told
        if rate.lean_chance < level
    ]


def write_rates(answer: Answer, stream: TextIO) -> None:
    """All rates as CSV, shares between 0 and 1, blank where not known."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for group, r in answer.rates.groups():
        numbers = [f"{v:.4f}" if isfinite(v) else "" for v in (r.rate, r.low, r.high, r.pooled, r.pooled_sd)]
        cell = ["", "", "", ""] if r.cell is None else [f"{v:g}" for v in (*r.cell.along, *r.cell.across)]
        counts, misses = (r.tries, r.made, r.unclear), (r.long, r.short, r.other)
        lean = f"{r.lean_chance:.4f}" if isfinite(r.lean_chance) else ""
        writer.writerow([group, r.name, *counts, *numbers, *misses, *cell, *_expected_cells(r), lean])


def _figures(heading: str, note: str, rates: Sequence[MakeRate]) -> Figures:
    # A column that would be empty all the way down is left out.
    empty = {
        EVENED: not any(isfinite(r.pooled) for r in rates),
        EXPECTED: not any(r.expected.tries for r in rates),
        "unclear": not any(r.unclear for r in rates),
    }
    wanted = [k for k, column in enumerate(COLUMNS) if not empty.get(column, False)]
    rows = [
        (
            r.name,
            f"{r.made} of {r.tries}",
            percent(r.rate),
            f"{100 * r.low:.0f} to {percent(r.high)}" if r.tries else UNKNOWN,
            expected_words(r.expected),
            percent(r.pooled),
            _misses(r),
            str(r.unclear),
        )
        for r in rates
    ]
    return Figures(
        heading, note, tuple(COLUMNS[k] for k in wanted), tuple(tuple(row[k] for k in wanted) for row in rows)
    )


def _misses(rate: MakeRate) -> str:
    """``4 long, 2 short``; those of neither kind as ``other``."""
    kinds = ((rate.long, "long"), (rate.short, "short"), (rate.other, "other"))
    return ", ".join(f"{count} {name}" for count, name in kinds if count) or "none"


def _expected_cells(rate: MakeRate) -> list[str]:
    e = rate.expected
    return [*(f"{v:.4f}" for v in (e.rate, *e.limits)), str(e.tries)] if e.tries else ["", "", "", "0"]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _signed(share: float) -> str:
    """``+13``, with a true minus."""
    return f"{100 * share:+.0f}".replace("-", "−")
