"""Fits as a table, CSV: what the published JSON form says, one value a row, under the names that it has there."""

import csv
from collections.abc import Iterator, Sequence
from typing import Any, TextIO

FIT_CSV = ("shot", "table", "name", "value", "sd", "low", "high", "x_m", "y_m", "attempts", "aicc", "why")
Row = dict[str, Any]


def write_fits(fits: Sequence[dict[str, Any]], stream: TextIO) -> None:
    """``fits`` in their JSON form. ``table`` tells the rows of the fit itself, of the rules (``value`` is the miss to
    expect, metres), of the envelope (``value`` is the start's offset, metres), of rows that count less than fully, of
    sessions, days and corners (``value`` is the direction, degrees) and of the next attempts (``value`` is half the
    long axis to expect, metres) apart. Blank where not known.
    """
    writer = csv.DictWriter(stream, FIT_CSV, lineterminator="\n", restval="")
    writer.writeheader()
    for fit in fits:
        for row in _rows(fit):
            known = {name: value for name, value in row.items() if value is not None}
            writer.writerow({"shot": fit["shot"]} | known)


def _rows(fit: dict[str, Any]) -> Iterator[Row]:
    yield from ({"table": "fit"} | row for row in _fit(fit))
    for rule in fit["rules"]:
        low, high = rule["expected_miss_range_m"] or (None, None)
        yield {
            "table": "rules",
            "name": rule["rule"],
            "value": rule["expected_miss_m"],
            "low": low,
            "high": high,
            "aicc": rule["aicc"],
        }
    for place in fit["one_point_detail"]["envelope"]:
        yield {"table": "envelope", "name": "across_m", "value": place["across_m"]} | _place(place["point_m"])
    for weight in fit["weights"]:
        yield {"table": "weights", "name": weight["row"], "value": weight["weight"], "why": weight["why"]}
    for table in ("sessions", "days", "mirrored"):
        yield from _groups(table, fit[table])
    for one in fit["next"]:
        yield {"table": "next", "name": one["for"], "value": one["semi_major_m"]} | _place(one["start_m"])
    if fit["until"] is not None:
        until = fit["until"]
        yield {"table": "until", "name": "until_m", "value": until["until_m"], "why": until["reason"]}
        yield from ({"table": "until", "name": k, "value": until[k]} for k in ("attempts", "attempts_as_before"))
    yield from ({"table": "remarks", "why": sentence} for sentence in fit["remarks"])


def _fit(fit: dict[str, Any]) -> Iterator[Row]:
    yield {"name": "attempts", "value": fit["attempts"]}
    yield {"name": "used", "value": fit["used"]}
    yield {"name": "status", "value": fit["status"], "why": fit["reason"]}
    yield {"name": "point_m"} | _place(fit["point_m"])
    yield from ({"name": name, "value": v} for name, v in (fit["ellipse"] or {}).items())
    for name, sd in (
        ("direction_deg", "direction_sd_deg"),
        ("inverse_distance_per_m", "inverse_distance_sd_per_m"),
        ("speed_slope_deg_per_mps", "speed_slope_sd_deg_per_mps"),
    ):
        yield {"name": name, "value": fit[name], "sd": fit[sd]}
    low, high = fit["spread_range_deg"] or (None, None)
    yield {"name": "spread_deg", "value": fit["spread_deg"], "low": low, "high": high}
    one = fit["one_point_detail"]
    yield {"name": "one_point", "value": fit["one_point"], "why": one["reason"]}
    for name, most in (
        ("share_of_margin", "share_of_margin_at_most"),
        ("extra_miss_m", "extra_miss_at_most_m"),
    ):
        yield {"name": name, "value": one[name], "high": one[most]}
    yield {"name": "next_start_m"} | _place(fit["next_start_m"])


def _groups(table: str, compared: dict[str, Any] | None) -> Iterator[Row]:
    if compared is None:
        return
    yield {"table": table, "name": "p_value", "value": compared["p_value"], "why": compared["reason"]}
    for group in compared["groups"]:
        yield {
            "table": table,
            "name": group["group"],
            "value": group["direction_deg"],
            "sd": group["direction_sd_deg"],
            "attempts": group["attempts"],
        } | _place(group["point_m"])


def _place(place_m: Sequence[float] | None) -> Row:
    return {} if place_m is None else {"x_m": place_m[0], "y_m": place_m[1]}
