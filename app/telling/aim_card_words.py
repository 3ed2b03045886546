"""The aim card in words and figures: for the terminal, the page, the printed sheet, and as CSV."""

import csv
from collections.abc import Sequence
from datetime import date
from itertools import groupby
from math import degrees, isfinite, nan
from typing import TextIO

from app.card.aim_card import AimCard, NoCard, harder_sights
from app.card.card_rows import CardRow, State
from app.card.lines_over_rails import OPPOSITE, Place
from app.card.tape import Tape
from app.fitting.pooled import speed_word
from app.telling.coach import Figures
from app.telling.lengths import by_tape
from app.telling.point_view import PointView
from app.telling.point_words import tell_ellipse, tell_next_start
from app.telling.rates_words import percent
from app.telling.rounding import told, told_with_sd
from app.telling.shot_words import describe_stroke

CSV_COLUMNS = (
    "near_rail", "near_corner", "near_sight", "first_rail", "first_corner",
    "through_sight", "through_sight_low", "through_sight_high", "at_nose", "at_nose_low", "at_nose_high",
    "bearing_deg", "on_cushion", "state", "make_chance",
)  # fmt: skip
STATES: dict[State, str] = {"holds": "holds", "unsure": "unsure", "beyond": "beyond the starts seen"}
POCKETED = "into the pocket"
SURE = 0.99
# The sight that a side pocket stands in the place of.
SIDE_POCKET = 4
# Nearer to a sight than this is opposite it.
AT_MARK_M = 0.003
# Finer than this no one aims between two sights.
FINEST_SIGHTS = 0.01


def tell_card(card: AimCard, point: PointView) -> list[tuple[str, list[str]]]:
    """Plain sentences under headings: the point or the direction, for which starts it holds, for which stroke."""
    return [
        ("The point" if card.point_m is not None else "The direction", tell_aim(card, point)),
        ("For which starts", tell_starts(card)),
        ("For which stroke", [tell_stroke(card), *tell_harder(card), *tell_pooled(point)]),
    ]


def tell_no_card(none: NoCard, point: PointView) -> str:
    """One sentence: why there is no card, and what to shoot next."""
    following = tell_next_start(point, none.corner, none.table) if none.next_start_m is not None else []
    if none.fit.one_point.verdict == "not enough":
        which = "from a smaller part of the table"
        if none.good_sights is not None:
            which = f"whose lines come over {_ends(none.good_sights)} of the {none.near} rail"
        following = [f"log starts {which} as a shot of their own, and make its card."]
    return "; ".join([f"no aim card: {none.why}", *(f"{text[0].lower()}{text[1:-1]}" for text in following)]) + "."


def tell_stroke(card: AimCard) -> str:
    """``Medium speed, no english; shot at 2.1 to 2.4 m/s, medium.``"""
    text = describe_stroke(card.shot)
    text = text[0].upper() + text[1:]
    slow, fast = card.seen.speed_mps
    if isfinite(slow):
        words = " to ".join(dict.fromkeys(str(speed_word(v)) for v in (slow, fast)))
        text += f"; shot at {_range(card.seen.speed_mps)} m/s, {words}"
    return f"{text}."


def tell_harder(card: AimCard) -> list[str]:
    """``Each m/s harder: 0.12 sights less on the left rail.``; nothing where that is not known."""
    more, slope = harder_sights(card), card.fit.speed_slope
    if slope is None or not isfinite(more):
        return []
    words = told(abs(more), abs(more) * slope.sd_rad / abs(slope.value_rad), finest=2)
    return [f"Each m/s harder: {words} sights {'more' if more > 0 else 'less'} on the {card.first} rail."]


def tell_aim(card: AimCard, point: PointView) -> list[str]:
    """Where the point is, by tape, or which way the lines run."""
    if card.tape is None:
        return [_direction(card)]
    tape = tell_tape(card.tape)
    sentences = [f"{tape[0].upper()}{tape[1:]}.", tell_ellipse(point)]
    if point.spreading:
        sentences.insert(1, "It lies behind the shooter: the lines spread from it.")
    return sentences


def tell_tape(tape: Tape) -> str:
    """``from the nose of the left rail opposite sight 3.25, which is 8 cm (3 1/8 in) from sight 3 away from the
    foot-left corner: 120 cm (47 1/4 in) straight out from the rail``."""
    out = f"{by_tape(tape.out_m)} straight {'out from the rail' if tape.out_m >= 0 else 'in over the cloth'}"
    if tape.sight < 0:
        return (
            f"from the nose line of the {tape.rail} rail carried on past the {tape.corner} corner, to "
            f"{by_tape(tape.from_mark_m)} from sight {tape.mark}: {out}"
        )
    if abs(tape.from_mark_m) < AT_MARK_M:
        return f"from the nose of the {tape.rail} rail opposite sight {tape.mark}: {out}"
    spacing_m = (tape.along_m - tape.from_mark_m) / tape.mark
    if tape.rail in ("left", "right") and abs(tape.sight - SIDE_POCKET) * spacing_m < AT_MARK_M:
        return f"from the nose of the {tape.rail} rail opposite the middle of the side pocket: {out}"
    way = "towards" if tape.from_mark_m < 0 else "away from"
    return (
        f"from the nose of the {tape.rail} rail opposite sight {tape.sight:.2f}, which is {by_tape(tape.from_mark_m)} "
        f"from sight {tape.mark} {way} the {tape.corner} corner: {out}"
    )


def tell_starts(card: AimCard) -> list[str]:
    """For which starts it holds, as sights of the near rail and as places on the table."""
    seen, found = card.seen, []
    for state, rows in groupby(card.rows, key=tell_state):
        if state in ("holds", "unsure"):
            ends = _ends([row.near_sight for row in rows])
            found.append(f"{'Holds' if state == 'holds' else 'Unsure'} for lines over {ends} of the {card.near} rail")
    sentence = f"{'; '.join([*found[:1], *(text[0].lower() + text[1:] for text in found[1:])])}."
    along, across = (_range(values) for values in (seen.along, seen.across))
    where = f"Shot from {along} sights along and {across} across from the {card.corner} corner"
    sentences = [sentence, f"{where}: {len(seen.start_m)} starts{_days(seen.days)}."]
    if seen.elsewhere:
        of = f"The lines of {seen.elsewhere} of them come" if seen.elsewhere > 1 else "The line of one of them comes"
        sentences.append(f"{of} over another rail than the {card.near} rail.")
    if any(row.state == "unsure" for row in card.rows):
        one = "point" if card.kind == "point" else "direction"
        sentences.append(f"Unsure: whether one {one} is good enough there cannot be told yet; log more.")
    return sentences


def tell_pooled(point: PointView) -> list[str]:
    return [f"Thrown together here: {entry}." for entry in point.pooled]


def tell_how(card: AimCard) -> list[str]:
    """How to use the lines."""
    ball = "object ball" if card.shot.kind == "bank" else "cue ball"
    return [
        f"Find the line on which the {ball} lies: from a sight of the {card.near} rail over the ball to that line's "
        f"place on the {card.first} rail. Between two lines of the card go between. Send the ball along it.",
        "Both columns tell the same line. Through the sight: where it passes the line of the sights. At the nose: "
        "where it crosses the nose of the cushion.",
    ]


def tell_counting(card: AimCard) -> str:
    """From where the sights of the two rails are counted."""
    return (
        f"Sights are counted from the {card.near_corner} corner on the {card.near} rail, from the "
        f"{card.first_corner} corner on the {card.first} rail."
    )


def tell_within() -> str:
    """What the ± means."""
    return "±: 19 times in 20 the lines needed lie within that."


def card_figures(card: AimCard) -> Figures:
    """The rows as text."""
    columns = [f"{card.near} rail", f"{card.first} rail, through the sight", "at the nose", "made", "how sure"]
    rows = [
        [tell_near(row), tell_place(row.through_sight), tell_place(row.at_nose), tell_chance(row), tell_state(row)]
        for row in card.rows
    ]
    if card.stroke is None:
        columns, rows = [c for c in columns if c != "made"], [row[:3] + row[4:] for row in rows]
    note = " ".join([tell_counting(card), tell_within(), *tell_chances(card)])
    return Figures("Lines", note, tuple(columns), tuple(tuple(row) for row in rows))


def tell_chances(card: AimCard) -> list[str]:
    """For which stroke the chances are told; nothing where there are none."""
    stroke = card.stroke
    if stroke is None:
        return []
    spread = f"{told(degrees(stroke.spread_rad), nan, finest=2)}°"
    if isfinite(stroke.low_rad):
        low, high = (told(degrees(v), nan, finest=2) for v in (stroke.low_rad, stroke.high_rad))
        spread += f" (95 %: {low} to {high}°)"
    whose = "a stroke" if stroke.player is None else stroke.player or "the player"
    ball = "object ball's lines spread" if card.shot.kind == "bank" else "lines spread"
    cut = " at the middle one of the cuts; each line is reckoned with its own" if stroke.cue else ""
    return [f"Made: of 100 tries on that line by {whose}, whose {ball} by {spread}{cut}."]


def tell_chance(row: CardRow) -> str:
    """``72 %``; nothing is certain, and nothing hopeless."""
    if row.make_chance > SURE:
        return f"over {percent(SURE)}"
    return f"under {percent(1 - SURE)}" if row.make_chance < 1 - SURE else percent(row.make_chance)


def tell_near(row: CardRow) -> str:
    return f"{row.near_sight:.2f}"


def tell_place(place: Place) -> str:
    """``3.62 ± 0.04``; no ± where it is not known, and how far is open where it has no bound."""
    if place.within == float("inf"):
        return f"{told(place.count, nan, finest=1)}, may be anywhere"
    return told_with_sd(place.count, max(place.within, FINEST_SIGHTS) if isfinite(place.within) else nan, finest=2)


def tell_state(row: CardRow) -> str:
    return STATES[row.state] if row.on_cushion else POCKETED


def write_card(card: AimCard, stream: TextIO) -> None:
    """The rows as CSV, sights and degrees; blank where not known."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for row in card.rows:
        places = [v for p in (row.through_sight, row.at_nose) for v in (p.count, p.low, p.high)]
        writer.writerow(
            [
                card.near,
                card.near_corner,
                f"{row.near_sight:.2f}",
                card.first,
                card.first_corner,
                *(f"{v:.4f}" if isfinite(v) else "" for v in places),
                f"{degrees(row.bearing_rad):.4f}",
                "yes" if row.on_cushion else "no",
                row.state,
                f"{row.make_chance:.4f}" if isfinite(row.make_chance) else "",
            ]
        )


def _days(days: Sequence[date]) -> str:
    """``, 1 March 2026`` or ``, 1 March 2026 to 4 May 2026``; nothing where no day is known."""
    ends = list(dict.fromkeys(f"{day.day} {day:%B %Y}" for day in (days[0], days[-1]))) if days else []
    return f", {' to '.join(ends)}" if ends else ""


def _direction(card: AimCard) -> str:
    row = card.rows[len(card.rows) // 2]
    if card.near != OPPOSITE[card.first]:
        return "There is no point in reach: all lines run in one direction, parallel to one another."
    more = row.through_sight.count - row.near_sight
    step = f"{told(abs(more), 0.05, finest=2)} {'more' if more >= 0 else 'less'}"
    return (
        "There is no point in reach: all lines run in one direction, from any sight of the "
        f"{card.near} rail to the {card.first} rail's sight that counts {step}."
    )


def _ends(sights: Sequence[float]) -> str:
    if len(sights) == 1:
        return f"sight {sights[0]:g}"
    return f"sights {sights[0]:g} to {sights[-1]:g}"


def _range(values: tuple[float, float]) -> str:
    low, high = (told(v, 0.05, finest=1) for v in values)
    return low if low == high else f"{low} to {high}"
