"""Storing what was not filmed: entries by hand and imported ones, taken out and put right without losing anything."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from math import nan
from unicodedata import category

from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from app.store.attempt_columns import attempt_columns, null
from app.store.database import writing
from app.store.log import player_row, shot_row, table_row
from app.store.models import AttemptLogRow, EntryRow, PlayerRow, SessionRow, ShotRow, TableRow, now
from calibration.errors import InputError
from calibration.table import Table
from vision.reading import Attempt
from vision.shot import Shot

LONGEST_NAME = 100


@dataclass(frozen=True)
class NewEntry:
    """An attempt that was not filmed, ready for the log. ``at`` is when it was shot, None where nobody said.

    Others as in ``EntryRow``; NaN and None where not told.
    """

    shot: Shot
    table: Table
    attempt: Attempt
    source: str
    at: datetime | None = None
    player: str | None = None
    line: str = ""
    file: str = ""
    at_text: str | None = None
    outcome: str | None = None
    miss_side: str | None = None
    margin_left_rad: float = nan
    margin_right_rad: float = nan
    english: str | None = None
    tips: float = nan
    clip: str | None = None
    common_bearing_sd_rad: float = nan
    note: str | None = None


def add_entries(engine: Engine, entries: Sequence[NewEntry]) -> list[int]:
    """Log entries, all or none; gives their attempts' numbers in the log.

    Those of one player and day at one table make a session, with what was entered for that day before. Raises
    InputError when the log holds another shot under the name of one.
    """
    return _whole(engine, lambda session: _add(session, entries))


def add_chosen(engine: Engine, shots: Iterable[Shot], choose: Callable[[Session], Sequence[NewEntry]]) -> list[int]:
    """As ``add_entries``, for entries at ``shots`` that ``choose`` takes after a look at the log.

    Nobody else adds chosen entries at these shots between that look and the writing.
    """

    def add(session: Session) -> list[int]:
        # In one order, or two programs might wait for each other. SQLite has one writer at a time anyway.
        for shot in sorted(shots, key=lambda one: one.name):
            row = shot_row(session, shot)
            session.execute(select(ShotRow.id).where(ShotRow.id == row.id).with_for_update(key_share=True))
        return _add(session, choose(session))

    return _whole(engine, add)


def withdraw(engine: Engine, attempt_ids: Iterable[int], shot_name: str | None = None) -> None:
    """Take attempts out: they stay in the log, marked, and count nowhere. All or none.

    Raises InputError for a number that is not in the log, of another shot, or taken out already.
    """
    with writing(engine) as session:
        for attempt_id in attempt_ids:
            row = _found(session, attempt_id, shot_name)
            if row.withdrawn_at is not None:
                raise InputError(f"attempt {attempt_id} is taken out already.")
            row.withdrawn_at = now()


def restore(engine: Engine, attempt_ids: Iterable[int], shot_name: str | None = None) -> None:
    """Put attempts back that were taken out. Raises InputError for one that was not, or that another stands for."""
    with writing(engine) as session:
        for attempt_id in attempt_ids:
            row = _found(session, attempt_id, shot_name)
            if row.withdrawn_at is None:
                raise InputError(f"attempt {attempt_id} was not taken out.")
            standing = session.scalar(
                select(EntryRow.attempt_id)
                .join(AttemptLogRow, EntryRow.attempt_id == AttemptLogRow.id)
                .where(EntryRow.replaces_id == attempt_id, AttemptLogRow.withdrawn_at.is_(None))
            )
            if standing is not None:
                raise InputError(f"attempt {attempt_id} was put right as {standing}; take that one out first.")
            row.withdrawn_at = None


def put_right(engine: Engine, attempt_id: int, entry: NewEntry) -> int:
    """Log an entry in place of one that was entered wrong, which is taken out; player, day and session stay.

    Gives the new number. Raises InputError for an attempt that was not entered by hand, or was taken out.
    """
    with writing(engine) as session:
        old = _found(session, attempt_id, entry.shot.name)
        if old.source != "hand" or old.entry is None:
            kind = "imported from a file" if old.source == "import" else "measured from a film"
            raise InputError(f"attempt {attempt_id} was {kind}; take it out and enter what is right as a new one.")
        if old.withdrawn_at is not None:
            raise InputError(f"attempt {attempt_id} was taken out; put it back first, or enter a new one.")
        old.withdrawn_at = now()
        row = _row(replace(entry, at=old.entry.at), old.session_id, old.shot_id)
        row.entry.replaces_id = attempt_id  # type: ignore[union-attr]
        session.add(row)
        session.flush()
        return row.id


def plain_text(text: str | None) -> str | None:
    """Without what no database takes in a text: half characters, and control characters such as NUL."""
    if text is None:
        return None
    whole = text.encode("utf-8", "replace").decode("utf-8")
    return "".join(" " if category(letter) == "Cc" else letter for letter in whole)


def _whole(engine: Engine, add: Callable[[Session], list[int]]) -> list[int]:
    try:
        with writing(engine) as session:
            return add(session)
    except IntegrityError:
        # Another program added the same shot, table or player between our look and our writing; now it is seen.
        with writing(engine) as session:
            return add(session)


def _add(session: Session, entries: Sequence[NewEntry]) -> list[int]:
    # A file may hold many thousands: what they share is looked up once.
    shots: dict[str, ShotRow] = {}
    practices: dict[tuple[Table, str, date], SessionRow] = {}
    rows = []
    for entry in entries:
        name, at = (plain_text(entry.player) or "").strip(), entry.at or now()
        key = (entry.table, name, at.astimezone(UTC).date())
        if entry.shot.name not in shots:
            shots[entry.shot.name] = shot_row(session, entry.shot)
        if key not in practices:
            practices[key] = _practice(session, table_row(session, entry.table), _player(session, name), at)
        practice = practices[key]
        practice.started_at = min(practice.started_at, at)
        rows.append(_row(entry, practice.id, shots[entry.shot.name].id))
    session.add_all(rows)
    session.flush()
    return [row.id for row in rows]


def _player(session: Session, name: str) -> PlayerRow | None:
    if len(name) > LONGEST_NAME:
        raise InputError(f"the player's name has {len(name)} letters; {LONGEST_NAME} are the most.")
    row = player_row(session, name)
    session.flush()
    return row


def _practice(session: Session, table: TableRow, player: PlayerRow | None, at: datetime) -> SessionRow:
    """What was entered for a player's day at a table is one practice; a filmed one is a practice of its own."""
    day = at.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    found = session.scalars(
        select(SessionRow)
        .where(
            SessionRow.table_id == table.id,
            SessionRow.player_id == (None if player is None else player.id),
            SessionRow.started_at >= day,
            SessionRow.started_at < day + timedelta(days=1),
        )
        .order_by(SessionRow.id)
    )
    for row in found:
        if not row.clips and not row.unassigned:
            return row
    made = SessionRow(table_id=table.id, player_id=None if player is None else player.id, started_at=at)
    session.add(made)
    session.flush()
    return made


def _row(entry: NewEntry, session_id: int, shot_id: int) -> AttemptLogRow:
    return AttemptLogRow(
        session_id=session_id,
        shot_id=shot_id,
        source=entry.source,
        **attempt_columns(entry.attempt),
        entry=EntryRow(
            line=plain_text(entry.line) or "",
            file=plain_text(entry.file) or "",
            at=entry.at,
            at_text=entry.at_text,
            outcome=entry.outcome,
            miss_side=entry.miss_side,
            margin_left_rad=null(entry.margin_left_rad),
            margin_right_rad=null(entry.margin_right_rad),
            english=plain_text(entry.english),
            tips=null(entry.tips),
            clip=plain_text(entry.clip),
            common_bearing_sd_rad=null(entry.common_bearing_sd_rad),
            note=plain_text(entry.note),
        ),
    )


def _found(session: Session, attempt_id: int, shot_name: str | None) -> AttemptLogRow:
    row = session.get(AttemptLogRow, attempt_id)
    if row is None or (shot_name is not None and row.shot.name != shot_name):
        of = "the log" if shot_name is None else repr(shot_name)
        raise InputError(f"{of} has no attempt {attempt_id}; the list of entries shows their numbers.")
    return row
