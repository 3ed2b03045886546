"""The room's marks as a table, CSV: each mark from each start, and the marks on the walls."""

import csv
from collections.abc import Sequence
from typing import TextIO

from app.room.from_log import MarksAnswer

MARKS_CSV = (
    "shot", "table", "mark", "along_sights", "across_sights", "start_x_m", "start_y_m", "tries", "seen",
    "off_deg", "off_sd_deg", "miss_m", "miss_sd_m", "expected_miss_m", "to_pocket", "to_hit",
    "near_rail", "near_sight", "wall", "place_x_m", "place_y_m", "measured_from", "along_m", "level_corner", "level_m",
    "left_m", "right_m", "replaces_point",
)  # fmt: skip


def write_marks(answers: Sequence[MarksAnswer], stream: TextIO) -> None:
    """All of it as CSV: ``table`` tells the rows of starts seen, of starts over the table and of the walls' scale
    apart; blank where not known."""
    writer = csv.DictWriter(stream, MARKS_CSV, lineterminator="\n", restval="")
    writer.writeheader()
    for answer in answers:
        _write(answer, writer)


def _write(answer: MarksAnswer, writer: "csv.DictWriter[str]") -> None:
    told_of = answer.to_json()
    shot = told_of["shot"]
    for mark in told_of["marks"]:
        for name in ("seen", "over_table"):
            for start in mark[name]:
                row = {key: start[key] for key in MARKS_CSV if key in start}
                row |= {"shot": shot, "table": name, "mark": mark["name"], "seen": "yes" if start["seen"] else "no"}
                row |= {"start_x_m": start["start_m"][0], "start_y_m": start["start_m"][1]}
                row |= {"to_pocket": start["verdict"].get("pocketed"), "to_hit": start["verdict"].get("hit")}
                writer.writerow(_blank(row))
    for mark in told_of["scale"]:
        row = {key: mark[key] for key in MARKS_CSV if key in mark}
        x, y = mark["place_m"] or (None, None)
        row |= {"shot": shot, "table": "scale", "near_rail": told_of["near_rail"], "place_x_m": x, "place_y_m": y}
        row |= {name: "yes" if mark[name] else "no" for name in ("seen", "replaces_point")}
        writer.writerow(_blank(row))


def _blank(row: dict[str, object]) -> dict[str, object]:
    return {name: "" if value is None else value for name, value in row.items()}
