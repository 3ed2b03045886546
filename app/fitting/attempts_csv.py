"""Attempts as a CSV file: the form in which they come in from elsewhere and go out again.

UTF-8, a header line, one attempt a row; degrees in the file, radians inside. Columns that are not known are left alone.
"""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain
from math import degrees, hypot, isfinite, nan, radians
from pathlib import Path
from typing import TextIO

from calibration.errors import InputError

REQUIRED = ("shot", "start_x_m", "start_y_m", "bearing_deg")
OPTIONAL = (
    "bearing_sd_deg",
    "clip",
    "common_bearing_sd_deg",
    "miss_m",
    "miss_sd_m",
    "miss_per_deg_m",
    "outcome",
    "miss_side",
    "margin_left_deg",
    "margin_right_deg",
    "speed_mps",
    "english",
    "at",
    "player",
    "note",
)
COLUMNS = REQUIRED + OPTIONAL
OUTCOMES = ("made", "missed")
# Seen, and not decided: as good as no outcome, but not the same as a log that holds none.
UNCLEAR = "unclear"
SIDES = ("left", "right")
SEPARATORS = (",", ";", "\t")
# What other programs write where nothing is known.
NOT_KNOWN = ("", "null", "none", "nan", "na", "n/a")
# Nobody's practice log is larger; a file of this many rows is something else.
MOST_ROWS = 2_000_000
LARGEST = 1e7
# So many wrong entries are told one by one.
MOST_WRONG = 10


@dataclass(frozen=True)
class AttemptRow:
    """One attempt as the fit needs it. Metres, radians; NaN and None where the file is blank.

    ``row`` is the line of the file (header = 1). ``miss_per_rad_m`` is how far the miss moves per radian of bearing.
    ``miss_side``: the bearing delivered was more (left) or less (right) than needed. ``margin_left_rad`` and
    ``margin_right_rad``: how far the bearing may exceed, or fall short of, the needed one and still make the shot.
    ``session``: the practice in which the log has it; a file of attempts knows none.
    ``reader``: who read the line by eye; ``reader_sd_rad`` is the part of the bearing's error that is alike in all of
    that reader's, beside ``bearing_sd_rad``; a file holds the two together.
    ``logged_as``: the shot under whose name the row was logged, where it is fitted together with another's.
    ``number``: the attempt's own in the log, by which its list of entries knows it; a file knows none.
    """

    row: int
    shot: str
    start_x_m: float
    start_y_m: float
    bearing_rad: float
    bearing_sd_rad: float = nan
    clip: str | None = None
    common_bearing_sd_rad: float = nan
    miss_m: float = nan
    miss_sd_m: float = nan
    miss_per_rad_m: float = nan
    outcome: str | None = None
    miss_side: str | None = None
    margin_left_rad: float = nan
    margin_right_rad: float = nan
    speed_mps: float = nan
    english: str | None = None
    at: str | None = None
    player: str | None = None
    note: str | None = None
    session: str | None = None
    logged_as: str | None = None
    reader: str | None = None
    reader_sd_rad: float = nan
    number: int | None = field(default=None, compare=False)

    @property
    def place(self) -> str:
        """The row as a reader finds it: by its number in the log, else in the file, with its shot's name where that is
        not the one fitted."""
        if self.number is not None:
            return f"no. {self.number}"
        return f"{self.row}" if self.logged_as is None else f"{self.row} of {self.logged_as!r}"


@dataclass(frozen=True)
class AttemptFile:
    """The attempts of a file in its order, and what a reader should know of it (``remarks``, plain sentences)."""

    rows: tuple[AttemptRow, ...]
    remarks: tuple[str, ...]


def load_attempts(path: Path) -> AttemptFile:
    """Read a file of attempts.

    Raises InputError: the file cannot be read, is empty or not UTF-8, lacks a required column, or holds an entry that
    cannot be (each row and value is named, in a sentence on a line of its own).
    """
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as stream:
            return read_attempts(stream, str(path))
    except OSError as error:
        raise InputError(f"{path}: the file of attempts cannot be read ({error.strerror or error}).") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: the file of attempts is not UTF-8 text; save it as UTF-8.") from error


def read_attempts(stream: TextIO, where: str) -> AttemptFile:
    """As ``load_attempts``, from an open text stream; ``where`` names it in messages."""
    first = stream.readline()
    # Spreadsheets of many countries part cells by semicolons, because a comma marks their decimals.
    mark = max(SEPARATORS, key=first.count)
    reader = csv.reader(chain([first], stream), delimiter=mark, strict=True)
    rows: list[AttemptRow] = []
    wrong: list[str] = []
    try:
        header = _header(next(reader, []), where)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if any(cell.strip() for cell in cells[len(header) :]):
                    raise InputError(
                        f"{where}, row {reader.line_num}: {len(cells)} entries under {len(header)} columns; "
                        "a comma inside a number or a text must not part it."
                    )
                try:
                    rows.append(_row(dict(zip(header, cells, strict=False)), reader.line_num, where, mark != ","))
                except InputError as error:
                    wrong.append(str(error))
            if len(rows) > MOST_ROWS:
                raise InputError(f"{where}: over {MOST_ROWS} attempts; split the file.")
    except csv.Error as error:
        raise InputError(f"{where}, row {reader.line_num}: not a line of CSV ({error}).") from error
    if wrong:
        raise InputError("\n".join(listed(wrong)))
    unknown = [name for name in header if name and name not in COLUMNS]
    remarks = []
    if unknown:
        names = ", ".join(repr(name) for name in unknown)
        remarks.append(f"{where}: left aside, because they mean nothing here: the columns {names}.")
    if not rows:
        remarks.append(f"{where} holds no attempt.")
    return AttemptFile(tuple(rows), tuple(remarks))


def listed(wrong: Sequence[str]) -> list[str]:
    """The first of many sentences on what is wrong, and how many more there are."""
    rest = len(wrong) - MOST_WRONG
    return [*wrong[:MOST_WRONG], *([f"{rest} more entries cannot be used."] if rest > 0 else [])]


def _header(cells: list[str], where: str) -> list[str]:
    header = [name.strip().lower() for name in cells]
    if not any(header):
        raise InputError(f"{where}: the file is empty; its first line must name the columns {', '.join(REQUIRED)}.")
    missing = [name for name in REQUIRED if name not in header]
    if missing:
        raise InputError(
            f"{where}: the column {missing[0]!r} is missing; a file of attempts needs {', '.join(REQUIRED)}."
        )
    twice = sorted({name for name in header if name in COLUMNS and header.count(name) > 1})
    if twice:
        raise InputError(f"{where}: the column {twice[0]!r} stands there twice; keep one.")
    return header


def _row(cells: dict[str, str], line: int, where: str, decimal_comma: bool) -> AttemptRow:
    def place() -> str:
        return f"{where}, row {line}"

    def number(name: str, *, least: float | None = None, most: float = LARGEST) -> float:
        text = cells.get(name, "")
        try:
            value = float(text.replace(",", ".") if decimal_comma else text)
        except ValueError:
            value = nan
        if not isfinite(value):
            # Asked only now, since most entries of a large file are numbers.
            if text.strip().lower() not in NOT_KNOWN:
                raise InputError(f"{place()}: {name} is {text.strip()!r}; it must be a number.")
            if name in REQUIRED:
                raise InputError(f"{place()}: {name} is blank; every attempt needs it.")
            return nan
        if abs(value) > most:
            if name == "bearing_deg":
                raise InputError(f"{place()}: {name} is {text.strip()}; a bearing lies between 0 and 360 degrees.")
            raise InputError(f"{place()}: {name} is {text.strip()}; nothing on a table is that large.")
        if least is not None and value < least:
            raise InputError(f"{place()}: {name} is {text.strip()}; it cannot be below {least:g}.")
        return value

    def word(name: str, allowed: tuple[str, ...] = ()) -> str | None:
        text = cells.get(name, "").strip()
        if not allowed:
            return text or None
        text = text.lower()
        if text in NOT_KNOWN:
            return None
        if text not in allowed:
            raise InputError(f"{place()}: {name} is {text!r}; use {' or '.join(allowed)}, or leave it blank.")
        return text

    shot = word("shot")
    if shot is None:
        raise InputError(f"{place()}: shot is blank; every attempt needs it.")
    at = word("at")
    if at is not None:
        try:
            datetime.fromisoformat(at)
        except ValueError as error:
            raise InputError(f"{place()}: at is {at!r}; write a time such as 2026-03-01T18:30, or a day.") from error
    return AttemptRow(
        row=line,
        shot=shot,
        start_x_m=number("start_x_m"),
        start_y_m=number("start_y_m"),
        bearing_rad=radians(number("bearing_deg", most=360.0)),
        bearing_sd_rad=radians(number("bearing_sd_deg", least=0)),
        clip=word("clip"),
        common_bearing_sd_rad=radians(number("common_bearing_sd_deg", least=0)),
        miss_m=number("miss_m"),
        miss_sd_m=number("miss_sd_m", least=0),
        miss_per_rad_m=number("miss_per_deg_m") / radians(1),
        outcome=word("outcome", (*OUTCOMES, UNCLEAR)),
        miss_side=word("miss_side", SIDES),
        margin_left_rad=radians(number("margin_left_deg", least=0)),
        margin_right_rad=radians(number("margin_right_deg", least=0)),
        speed_mps=number("speed_mps", least=0),
        english=word("english"),
        at=at,
        player=word("player"),
        note=word("note"),
    )


def write_attempts(rows: Iterable[AttemptRow], stream: TextIO) -> None:
    """Write attempts in the form that ``load_attempts`` reads, all columns, blank where not known."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(
            [
                row.shot,
                _text(row.start_x_m, 5),
                _text(row.start_y_m, 5),
                _text(degrees(row.bearing_rad) % 360.0, 4),
                _text(degrees(_whole_sd_rad(row)), 4),
                row.clip or "",
                _text(degrees(row.common_bearing_sd_rad), 4),
                _text(row.miss_m, 5),
                _text(row.miss_sd_m, 5),
                _text(row.miss_per_rad_m * radians(1), 6),
                row.outcome if row.outcome in OUTCOMES else "",
                row.miss_side or "",
                _text(degrees(row.margin_left_rad), 4),
                _text(degrees(row.margin_right_rad), 4),
                _text(row.speed_mps, 4),
                row.english or "",
                row.at or "",
                row.player or "",
                row.note or "",
            ]
        )


def _whole_sd_rad(row: AttemptRow) -> float:
    return hypot(row.bearing_sd_rad, row.reader_sd_rad) if isfinite(row.reader_sd_rad) else row.bearing_sd_rad


def _text(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if isfinite(value) else ""
