"""A shot's margins in words and as tables: for the terminal, the page and a file of CSV."""

import csv
from math import degrees, isfinite, nan, pi
from typing import TextIO

import numpy as np

from app.margins.over_table import MadeMargins, MarginTable
from app.telling.coach import Figures
from app.telling.lengths import rough_length
from app.telling.rounding import UNKNOWN, told
from vision.shot import Made

CSV_COLUMNS = (
    "along_sights", "across_sights", "start_x_m", "start_y_m", "made", "possible", "needed_deg", "needed_sight",
    "left_deg", "right_deg", "left_m", "right_m", "best_deg", "best_sight", "half_deg",
    "rail_first_left_deg", "rail_first_right_deg", "distance_m",
    "cue_needed_deg", "cut_deg", "cue_left_deg", "cue_right_deg", "cue_best_deg",
)  # fmt: skip
TO: dict[Made, str] = {"pocketed": "to pocket", "hit": "to hit"}
SHORT: dict[Made, str] = {"pocketed": "pocket", "hit": "hit"}
DOES: dict[Made, str] = {"pocketed": "pockets", "hit": "hits"}
NO_PATH = "no path"
CLOSED = "nothing drops"
# What a rail adds is told from here on, radians: less is rounding.
TOLD_RAD = 1e-4


def margin_words(told_of: MarginTable) -> list[str]:
    """Plain sentences: from where the shot is there, how much room it leaves, what hitting alone forgives."""
    own = told_of.ways[0]
    good = own.possible
    count, total = int(good.sum()), len(good)
    if not count:
        return ["From none of these starts does a line over these rails make the shot."]
    sentences = []
    half = np.where(good, own.whole.half_rad, nan)
    most, least = int(np.nanargmax(half)), int(np.nanargmin(half))
    where = "From this start" if total == 1 else f"From {count} of {total} starts"
    text = f"{where} there is a line that {DOES[own.made]} the ball"
    if total > 1 and most != least:
        text += (
            f"; the room to either side of the best aim is from {_degrees(half[least])} "
            f"(start {start_words(told_of, least)}) to {_degrees(half[most])} ({start_words(told_of, most)})"
        )
    sentences.append(f"{text}.")
    if len(told_of.ways) > 1:
        both = good & told_of.ways[1].possible
        if both.any():
            more = float(np.median(told_of.ways[1].whole.half_rad[both] / own.whole.half_rad[both]))
            word = "forgives" if told_of.ways[1].made == "hit" else "leaves"
            name = "Hitting the ball alone" if told_of.ways[1].made == "hit" else "Pocketing it"
            sentences.append(f"{name} {word} {told(more, nan, finest=1)} times as much (middle of the starts).")
    return sentences


def margin_figures(told_of: MarginTable) -> tuple[Figures, ...]:
    """The margins, a start a row: one table with every way to make the shot; the cue ball's where it is known."""
    columns = ["start", "line"]
    starts = range(len(told_of.start_m))
    helped = {way.made: any(_rail_first(way, k) for k in starts) for way in told_of.ways}
    for way in told_of.ways:
        name = SHORT[way.made]
        columns += [f"{name} left", f"{name} right", f"{name} aim"]
        columns += [f"{name} rail first"] if helped[way.made] else []
    rows = [_row(told_of, k, helped) for k in starts]
    rail = told_of.shot.rails[0]
    note = (
        f"Starts in sights along and across from the {told_of.corner} corner. Left and right: how far the line may "
        "stray from the needed one, and how far the path may pass beside the target then. Line: where the needed one "
        f"passes the sights of the {rail} rail, from the {told_of.first_corner} corner; aim: where the best one does, "
        "in the middle of the margins."
    )
    if any(helped.values()):
        note += " Rail first: what of left and right comes off a rail beside the target."
    found = [Figures("Margins", note, tuple(columns), tuple(rows))]
    if told_of.cut is not None:
        found.append(_cue_figures(told_of))
    return tuple(found)


def write_margins(told_of: MarginTable, stream: TextIO) -> None:
    """All margins as CSV, a line for each start and way to make the shot, blank where not known."""
    writer = csv.DictWriter(stream, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for start in told_of.to_json()["starts"]:
        cue = start.get("cue_ball", {})
        for made, values in start["made"].items():
            row = {name: values.get(name) for name in CSV_COLUMNS if name in values}
            row |= {"along_sights": start["along_sights"], "across_sights": start["across_sights"], "made": made}
            row |= {"start_x_m": start["start_m"][0], "start_y_m": start["start_m"][1]}
            row |= {"possible": "yes" if values["possible"] else "no", "cut_deg": cue.get("cut_deg")}
            row |= {f"cue_{name}": cue.get(name) for name in ("needed_deg", "left_deg", "right_deg", "best_deg")}
            writer.writerow({name: "" if value is None else value for name, value in row.items()})


def half_words(way: MadeMargins, k: int) -> str:
    """``0.6°`` to either side of the best aim; a dash where the shot is not there."""
    return _degrees(float(way.whole.half_rad[k])) if way.possible[k] else UNKNOWN


def why_not(way: MadeMargins, k: int) -> str:
    """Why there is no line from a start; empty where there is one."""
    if way.possible[k]:
        return ""
    return CLOSED if way.whole.possible[k] else NO_PATH


def _row(told_of: MarginTable, k: int, helped: dict[Made, bool]) -> tuple[str, ...]:
    needed = _sight(told_of.sight(k, float(told_of.ways[0].whole.needed_rad[k])))
    cells = [start_words(told_of, k), needed if told_of.ways[0].whole.possible[k] else NO_PATH]
    for way in told_of.ways:
        rail_first = [_rail_first(way, k) or UNKNOWN] if helped[way.made] else []
        if not way.possible[k]:
            cells += [CLOSED if way.whole.possible[k] else UNKNOWN, UNKNOWN, UNKNOWN, *rail_first]
            continue
        m = way.whole
        best = _sight(told_of.sight(k, float(m.best_rad[k])))
        cells += [
            _margin(float(m.left_rad[k]), float(m.left_m[k])),
            _margin(float(m.right_rad[k]), float(m.right_m[k])),
            "same" if best == needed else best,
            *rail_first,
        ]
    return tuple(cells)


def _rail_first(way: MadeMargins, k: int) -> str:
    """``0.2° / 2.7°``, left and right; empty where no rail helps."""
    if not way.possible[k]:
        return ""
    parts = [float(way.rail_first_left_rad[k]), float(way.rail_first_right_rad[k])]
    if max(parts) <= TOLD_RAD:
        return ""
    return " / ".join(_degrees(v) if v > TOLD_RAD else UNKNOWN for v in parts)


def _cue_figures(told_of: MarginTable) -> Figures:
    cut = told_of.cut
    if cut is None:
        raise ValueError("the cue ball's place is not known")
    rows = []
    for k in range(len(told_of.start_m)):
        place = start_words(told_of, k)
        if not (isfinite(cut.half_rad[k]) and told_of.ways[0].possible[k]):
            rows.append((place, "cannot be cut so", UNKNOWN, UNKNOWN, UNKNOWN))
            continue
        turn = degrees(float(cut.cut_rad[k]))
        angle = f"{told(abs(turn), 0.5, finest=0)}° to the {'left' if turn > 0 else 'right'}"
        rows.append(
            (
                place,
                angle,
                _degrees(float(cut.left_rad[k])),
                _degrees(float(cut.right_rad[k])),
                told(abs(float(cut.magnified[k])), nan, finest=1),
            )
        )
    note = (
        "What is left of it for the cue ball's own line, by the cut (equal balls, no throw). Magnified: by how many "
        "degrees the object ball's line turns for one of the cue ball's."
    )
    return Figures("The cue ball", note, ("start", "cut", "left", "right", "magnified"), tuple(rows))


def _margin(angle_rad: float, offset_m: float) -> str:
    return f"{_degrees(angle_rad)} {rough_length(offset_m)}"


def _degrees(angle_rad: float) -> str:
    return f"{told(angle_rad * 180 / pi, nan, finest=2)}°"


def _sight(count: float) -> str:
    return told(count, 0.005, finest=2)


def start_words(told_of: MarginTable, k: int) -> str:
    """``6, 1``: sights along and across."""
    return f"{told_of.along[k]:g}, {told_of.across[k]:g}"
