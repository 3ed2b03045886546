"""The stroke as tables: for the terminal, the coach's page and a file of CSV."""

import csv
from math import degrees, isfinite, nan
from typing import TextIO

from app.stroke.analysis import SURE
from app.stroke.expected import Expected
from app.stroke.from_log import PlaceStroke, PlayerStroke, ShotStroke, StrokeAnswer
from app.stroke.spread import Spread
from app.telling.coach import Figures
from app.telling.rounding import UNKNOWN, told
from app.telling.stroke_words import expected_words, side_words, spread_words

CSV_COLUMNS = (
    "group",
    "shot",
    "player",
    "along_sights",
    "across_sights",
    "lines",
    "freedom",
    "spread_deg",
    "spread_low_deg",
    "spread_high_deg",
    "round",
    "rest_deg",
    "off_best_deg",
    "magnified",
    "margin_deg",
    "tries",
    "made",
    "expected",
    "expected_low",
    "expected_high",
    "expected_as_aimed",
    "expected_with_rest",
)
WITHIN = "Expected: aimed at the middle of the margins; by chance between the two figures, in 95 of 100 such practices."


def stroke_figures(answer: StrokeAnswer) -> tuple[Figures, ...]:
    """The tables of an answer: all strokes, each shot by place, the players; those without a row left out."""
    rows = tuple(
        (
            s.shot.name,
            s.player or UNKNOWN,
            str(len(s.stroke.basis)),
            *_spread_cells(s.stroke.spread),
            side_words(degrees(s.stroke.off_best.mean_rad), degrees(s.stroke.off_best.sd_rad), short=True),
            f"{s.expected.made} of {s.expected.tries}" if s.expected.tries else UNKNOWN,
            expected_words(s.expected),
        )
        for s in answer.strokes
    )
    columns = ("shot", "player", "lines", "spread", "95 %", "off the best", "made", "expected")
    found = [Figures("Strokes", f"Lines of the cue ball. {WITHIN}", columns, rows)]
    found += [place_figures(s, named=len(answer.strokes) > 1) for s in answer.strokes]
    if any(p.shots > 1 for p in answer.together):
        found.append(_together(answer.together))
    return tuple(figures for figures in found if figures.rows)


def write_stroke(answer: StrokeAnswer, stream: TextIO) -> None:
    """All figures as CSV: a line a shot and player, a place, and a player; degrees of the cue ball's line, rates
    between 0 and 1, blank where not known."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for s in answer.strokes:
        k = s.stroke
        spread = [*(_deg(v) for v in (k.spread.spread_rad, k.spread.low_rad, k.spread.high_rad)), k.how]
        rest = [_deg(k.rest.spread_rad), _deg(k.off_best.mean_rad), "", ""]
        rates = [_number(s.aimed_rate), _number(s.all_rate)]
        head = ["shot", s.shot.name, s.player, "", "", len(k.basis), k.spread.freedom]
        writer.writerow([*head, *spread, *rest, *_counts(s.expected), *rates])
        for p in s.places:
            along, across = _sights(s, p)
            head = ["place", s.shot.name, s.player, f"{along:.2f}", f"{across:.2f}", p.lines]
            rest = ["", _deg(p.off_best_rad), _number(p.magnified), _deg(p.half_rad)]
            writer.writerow([*head, *[""] * 5, *rest, *_counts(p.expected), _number(p.aimed_rate), ""])
    for one in answer.together:
        spread = [_deg(v) for v in (one.spread.spread_rad, one.spread.low_rad, one.spread.high_rad)]
        writer.writerow(["player", "", one.player, "", "", one.spread.lines, one.spread.freedom, *spread, *[""] * 12])


def place_figures(s: ShotStroke, *, named: bool) -> Figures:
    """A stroke by place; ``named`` puts shot and player into the heading."""
    bank = s.shot.kind == "bank"
    columns = ("start", "lines", "object ball", "margin", "off the best", "made", "expected", "as aimed")
    rows = []
    for p in s.places:
        along, across = _sights(s, p)
        cells = (
            f"{along:.1f} along, {across:.1f} across",
            str(p.lines),
            f"{told(abs(p.magnified), nan, finest=1)}° a degree",
            f"±{told(degrees(p.half_rad), nan, finest=2)}°" if isfinite(p.half_rad) else UNKNOWN,
            side_words(degrees(p.off_best_rad), nan, short=True),
            f"{p.expected.made} of {p.expected.tries}" if p.expected.tries else UNKNOWN,
            expected_words(p.expected),
            f"{100 * p.aimed_rate:.0f} %" if isfinite(p.aimed_rate) else UNKNOWN,
        )
        rows.append(tuple(cell for cell, column in zip(cells, columns, strict=True) if bank or column != "object ball"))
    whose = f" of {s.player}" if s.player else ""
    heading = f"By place: {s.shot.name}{whose}" if named else "By place"
    note = f"Starts in sights from the {s.corner} corner; margin of the cue ball's line to either side of the best."
    return Figures(heading, note, tuple(c for c in columns if bank or c != "object ball"), tuple(rows))


def _together(players: tuple[PlayerStroke, ...]) -> Figures:
    rows = tuple(
        (
            p.player or UNKNOWN,
            str(p.shots),
            str(p.spread.lines),
            *_spread_cells(p.spread),
            UNKNOWN if not isfinite(p.alike) else ("no" if p.alike < SURE else "may be"),
        )
        for p in players
    )
    note = "One spread for all shots of a player, each round its own lines; whether the shots' own may be one."
    return Figures("Players", note, ("player", "shots", "lines", "spread", "95 %", "all alike"), rows)


def _spread_cells(spread: Spread) -> tuple[str, str]:
    value, _, limits = spread_words(spread).partition(" (95 %: ")
    return value, limits.removesuffix(")") or UNKNOWN


def _sights(s: ShotStroke, p: PlaceStroke) -> tuple[float, float]:
    end, side = s.corner.split("-")
    along = s.table.diamonds_along(p.start_m, side, s.corner)  # type: ignore[arg-type]
    return along, s.table.diamonds_along(p.start_m, end, s.corner)  # type: ignore[arg-type]


def _counts(e: Expected) -> list[object]:
    rates = [_number(v) for v in (e.rate, *e.limits)]
    return [e.tries, e.made, *rates]


def _deg(value_rad: float) -> str:
    return f"{degrees(value_rad):.4f}" if isfinite(value_rad) else ""


def _number(value: float) -> str:
    return f"{value:.4f}" if isfinite(value) else ""
