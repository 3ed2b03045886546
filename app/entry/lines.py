"""Lines entered by hand, for the command, the page and the interface alike: checked, told back, logged; all or none."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import nan

from sqlalchemy import Engine

from app.entry.echo import Echo, echo
from app.entry.entered import Entered, enter
from app.entry.grammar import parse_line
from app.fitting.attempts_csv import listed
from app.store.entries import NewEntry, add_entries, put_right
from app.store.logged import LoggedAttempt
from app.store.models import now
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table
from vision.shot import Shot

MOST_LINES = 1000
COMMENT = "#"
DEFAULT_TABLE = STANDARD_TABLES["9ft"]
# A clock that is wrong by less than this is no reason to refuse.
AHEAD = timedelta(days=1)


@dataclass(frozen=True)
class Checked:
    """A line that was understood. ``number`` counts the lines that were given, from 1."""

    number: int
    entered: Entered
    echo: Echo


def check_lines(lines: Sequence[str], shot: Shot, table: Table) -> list[Checked]:
    """Understand lines; blank ones and those that begin with # are passed over. Nothing is logged.

    Raises InputError with a sentence for each mistake, on lines of their own, with the line's number if there are
    several.
    """
    if len(lines) > MOST_LINES:
        raise InputError(f"{len(lines)} lines are too many at once; {MOST_LINES} are the most.")
    checked: list[Checked] = []
    wrong: list[str] = []
    for number, text in enumerate(lines, 1):
        if not text.strip() or text.lstrip().startswith(COMMENT):
            continue
        try:
            entered = enter(parse_line(text), shot, table)
            checked.append(Checked(number, entered, echo(entered, shot, table)))
        except InputError as error:
            place = f"line {number}: " if len(lines) > 1 else ""
            wrong += [f"{place}{sentence}" for sentence in str(error).splitlines()]
    if wrong:
        raise InputError("\n".join(listed(wrong)))
    if not checked:
        raise InputError("there is no line to enter; write an attempt a line.")
    return checked


def log_lines(
    engine: Engine,
    checked: Sequence[Checked],
    shot: Shot,
    table: Table,
    *,
    player: str | None = None,
    at: datetime | None = None,
) -> list[int]:
    """Log checked lines, all or none; gives the attempts' numbers. ``at``: when they were shot, now without it."""
    when = at or now()
    entries = [new_entry(c.entered, shot, table, player, when) for c in checked]
    return add_entries(engine, entries)


def put_line_right(engine: Engine, old: LoggedAttempt, line: str, shot: Shot) -> tuple[int, Echo]:
    """Log a line in place of one that was entered wrong; gives the new number and what was understood.

    Raises InputError for a line with a mistake, and for attempts that were not entered by hand.
    """
    checked = check_lines([line], shot, old.table)[0]
    entry = new_entry(checked.entered, shot, old.table, old.player or None, old.at)
    return put_right(engine, old.id, entry), checked.echo


def parse_when(text: str | None) -> datetime | None:
    """A day or an ISO time, in UTC unless it says otherwise; a day stands for its noon. None for none.

    Raises InputError for what is no time, and for the future.
    """
    if text is None or not text.strip():
        return None
    written = text.strip()
    try:
        when = moment(written)
    except ValueError:
        raise InputError(f"{written!r} is no day; write one such as 2026-03-01, or 2026-03-01T18:30.") from None
    if when > now() + AHEAD:
        raise InputError(f"{written!r} lies in the future; give the day on which it was shot.")
    return when


def moment(text: str) -> datetime:
    """A day (its noon) or an ISO time as a moment, UTC unless it says otherwise. Raises ValueError."""
    try:
        when = datetime.combine(date.fromisoformat(text), time(12))
    except ValueError:
        when = datetime.fromisoformat(text)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def new_entry(e: Entered, shot: Shot, table: Table, player: str | None, at: datetime) -> NewEntry:
    """An entry as it goes into the log."""
    who = f" {player.strip()}" if player and player.strip() else ""
    return NewEntry(
        shot=shot,
        table=table,
        attempt=e.attempt(shot, table),
        source="hand",
        at=at,
        player=player,
        line=e.line.text,
        outcome=e.outcome,
        miss_side=e.miss_side,
        margin_left_rad=e.margin_left_rad,
        margin_right_rad=e.margin_right_rad,
        english=e.line.english,
        tips=nan if e.line.tips is None else e.line.tips,
        # Entries of one practice that tell the same start share its error.
        clip=f"{e.start_told}, {at:%Y-%m-%d}{who}",
        common_bearing_sd_rad=e.common_sd_rad,
        note=e.line.note or None,
    )
