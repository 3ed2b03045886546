"""The log read back as plain values: sessions, attempts, shots."""

from collections.abc import Sequence
from datetime import timedelta
from math import isfinite, nan

from sqlalchemy import Engine, Select, case, func, select
from sqlalchemy.orm import Session, selectinload

from app.store.attempt_columns import attempt_of, measured
from app.store.database import reading
from app.store.logged import (
    LoggedAttempt,
    LoggedClip,
    LoggedEntry,
    LoggedSession,
    LoggedShot,
    LoggedUnassigned,
    SessionLine,
)
from app.store.models import AttemptLogRow, ClipRow, EntryRow, PlayerRow, SessionRow, ShotRow, TableRow
from calibration.errors import InputError
from calibration.table import Table
from vision.shot import Shot, parse_shot

# So many digits of a clip's hash name it in an export.
CLIP_ID_DIGITS = 12


def list_sessions(engine: Engine) -> list[SessionLine]:
    """All sessions, the newest first."""
    made = func.sum(case((AttemptLogRow.outcome == "made", 1), else_=0))
    with reading(engine) as session:
        counts = {
            session_id: (int(attempts), int(good))
            for session_id, attempts, good in session.execute(
                select(AttemptLogRow.session_id, func.count(), made)
                .where(AttemptLogRow.withdrawn_at.is_(None))
                .group_by(AttemptLogRow.session_id)
            )
        }
        drilled = _drilled(session)
        rows = session.scalars(
            select(SessionRow)
            .options(
                selectinload(SessionRow.table),
                selectinload(SessionRow.player),
                selectinload(SessionRow.clips).selectinload(ClipRow.shot),
            )
            .order_by(SessionRow.started_at.desc(), SessionRow.id.desc())
        )
        return [
            SessionLine(
                id=row.id,
                started_at=row.started_at,
                table_name=row.table.name,
                player=row.player.name if row.player else "",
                shots=tuple(dict.fromkeys([*(clip.shot.name for clip in row.clips), *drilled.get(row.id, ())])),
                attempts=counts.get(row.id, (0, 0))[0],
                made=counts.get(row.id, (0, 0))[1],
            )
            for row in rows
        ]


def load_session(engine: Engine, session_id: int) -> LoggedSession | None:
    """A session with all that is in it; None when there is no such session."""
    with reading(engine) as session:
        row = session.scalar(
            select(SessionRow)
            .where(SessionRow.id == session_id)
            .options(
                selectinload(SessionRow.table),
                selectinload(SessionRow.player),
                selectinload(SessionRow.clips).selectinload(ClipRow.shot),
                selectinload(SessionRow.clips).selectinload(ClipRow.camera),
                selectinload(SessionRow.unassigned),
            )
        )
        if row is None:
            return None
        attempts = session.scalars(_attempts().where(AttemptLogRow.session_id == session_id)).all()
        shots = {shot.name: _shot_of(shot) for shot in [*(c.shot for c in row.clips), *(a.shot for a in attempts)]}
        return LoggedSession(
            id=row.id,
            started_at=row.started_at,
            player=row.player.name if row.player else "",
            note=row.note,
            table=Table(**row.table.measures),
            clips=tuple(_clip_of(clip) for clip in row.clips),
            shots=tuple(shots.values()),
            attempts=_numbered(attempts),
            unassigned=tuple(
                LoggedUnassigned(u.clip_name, measured(u.t_s), u.why, dict(u.measured)) for u in row.unassigned
            ),
        )


def list_shots(engine: Engine) -> list[LoggedShot]:
    """The library of shots, by name."""
    made = func.sum(case((AttemptLogRow.outcome == "made", 1), else_=0))
    with reading(engine) as session:
        counts = {
            shot_id: (int(attempts), int(good))
            for shot_id, attempts, good in session.execute(
                select(AttemptLogRow.shot_id, func.count(), made)
                .where(AttemptLogRow.withdrawn_at.is_(None))
                .group_by(AttemptLogRow.shot_id)
            )
        }
        tables = _tables(session)
        return [
            LoggedShot(row.id, _shot_of(row), *counts.get(row.id, (0, 0)), tables.get(row.id))
            for row in session.scalars(select(ShotRow).order_by(ShotRow.name))
        ]


def _drilled(session: Session) -> dict[int, list[str]]:
    """The names of the shots at which each session has attempts, in the order of the library."""
    found: dict[int, list[str]] = {}
    pairs = (
        select(AttemptLogRow.session_id, ShotRow.id, ShotRow.name)
        .join(ShotRow)
        .where(AttemptLogRow.withdrawn_at.is_(None))
        .distinct()
        .order_by(ShotRow.id)
    )
    for session_id, _, name in session.execute(pairs):
        found.setdefault(session_id, []).append(name)
    return found


def _tables(session: Session) -> dict[int, Table]:
    """The table of each shot's newest session."""
    used: set[tuple[int, int]] = set()
    for of_shot in (
        select(ClipRow.session_id, ClipRow.shot_id).distinct(),
        select(AttemptLogRow.session_id, AttemptLogRow.shot_id).distinct(),
    ):
        used |= {(int(session_id), int(shot_id)) for session_id, shot_id in session.execute(of_shot)}
    measures = {
        session_id: table.measures
        for session_id, table in session.execute(select(SessionRow.id, TableRow).join(TableRow))
    }
    return {shot_id: Table(**measures[session_id]) for session_id, shot_id in sorted(used)}


def list_players(engine: Engine) -> list[str]:
    """The players of the log, by name."""
    with reading(engine) as session:
        return list(session.scalars(select(PlayerRow.name).order_by(PlayerRow.name)))


def find_shot(engine: Engine, name: str) -> LoggedShot:
    """Raises InputError, listing what there is, when the log has no shot of that name."""
    shots = list_shots(engine)
    for shot in shots:
        if shot.shot.name == name:
            return shot
    known = ", ".join(repr(s.shot.name) for s in shots[:8]) or "none yet"
    raise InputError(f"the log has no shot named {name!r}; it has {known}.")


def list_attempts(
    engine: Engine, *, shot_name: str | None = None, session_id: int | None = None, withdrawn: bool = False
) -> tuple[LoggedAttempt, ...]:
    """Attempts of the whole log, of one shot or of one session, by session, shot and time.

    ``withdrawn``: those that were taken out as well, which nothing but the list of entries shows.
    """
    query = _attempts(withdrawn)
    if shot_name is not None:
        query = query.join(ShotRow).where(ShotRow.name == shot_name)
    if session_id is not None:
        query = query.where(AttemptLogRow.session_id == session_id)
    with reading(engine) as session:
        return _numbered(session.scalars(query).all())


def attempts_seen(session: Session, shot_name: str) -> tuple[LoggedAttempt, ...]:
    """All attempts at a shot, those taken out as well, as a transaction sees them."""
    return _numbered(session.scalars(_attempts(withdrawn=True).join(ShotRow).where(ShotRow.name == shot_name)).all())


def find_attempt(engine: Engine, attempt_id: int) -> LoggedAttempt | None:
    with reading(engine) as session:
        session_id = session.scalar(select(AttemptLogRow.session_id).where(AttemptLogRow.id == attempt_id))
    if session_id is None:
        return None
    return next((a for a in list_attempts(engine, session_id=session_id) if a.id == attempt_id), None)


def _attempts(withdrawn: bool = False) -> Select[AttemptLogRow]:
    query = (
        select(AttemptLogRow)
        .options(
            selectinload(AttemptLogRow.session).selectinload(SessionRow.player),
            selectinload(AttemptLogRow.session).selectinload(SessionRow.table),
            selectinload(AttemptLogRow.shot),
            selectinload(AttemptLogRow.clip),
            selectinload(AttemptLogRow.corrections),
            selectinload(AttemptLogRow.entry),
        )
        .order_by(
            AttemptLogRow.session_id,
            AttemptLogRow.shot_id,
            # What was entered has no time in a film, and the two databases differ in where they put those.
            AttemptLogRow.t_s.nulls_last(),
            AttemptLogRow.id,
        )
    )
    return query if withdrawn else query.where(AttemptLogRow.withdrawn_at.is_(None))


def _numbered(rows: Sequence[AttemptLogRow]) -> tuple[LoggedAttempt, ...]:
    out, last, number = [], None, 0
    for row in rows:
        group = (row.session_id, row.shot_id)
        number = number + 1 if group == last else 1
        last = group
        out.append(_logged(row, number))
    return tuple(out)


def _logged(row: AttemptLogRow, number: int) -> LoggedAttempt:
    attempt = attempt_of(row)
    into_clip_s = attempt.t_s if isfinite(attempt.t_s) else 0.0
    clip, common = "", nan
    if row.clip is not None:
        clip, common = row.clip.sha256[:CLIP_ID_DIGITS], measured(row.clip.common_bearing_sd_rad)
    elif row.entry is not None:
        clip, common = row.entry.clip or "", measured(row.entry.common_bearing_sd_rad)
    at = row.entry.at if row.entry is not None else None
    return LoggedAttempt(
        id=row.id,
        number=number,
        session_id=row.session_id,
        shot_name=row.shot.name,
        source=row.source,
        clip=clip,
        common_bearing_sd_rad=common,
        at=at or row.session.started_at + timedelta(seconds=into_clip_s),
        player=row.session.player.name if row.session.player else "",
        attempt=attempt,
        table=Table(**row.session.table.measures),
        corrections=tuple((c.field, c.value) for c in row.corrections),
        entry=None if row.entry is None else _entry_of(row.entry),
        withdrawn=row.withdrawn_at is not None,
        session_at=row.session.started_at,
    )


def _entry_of(row: EntryRow) -> LoggedEntry:
    return LoggedEntry(
        line=row.line,
        file=row.file,
        at_text=row.at_text,
        outcome=row.outcome,
        miss_side=row.miss_side,
        margin_left_rad=measured(row.margin_left_rad),
        margin_right_rad=measured(row.margin_right_rad),
        english=row.english,
        tips=measured(row.tips),
        note=row.note,
        replaces=row.replaces_id,
    )


def _clip_of(row: ClipRow) -> LoggedClip:
    camera = dict(row.camera.facts) | {"head": row.camera.head} if row.camera else {}
    return LoggedClip(
        row.name, row.shot.name, row.reader, dict(row.facts), camera, tuple(row.not_attempts), tuple(row.warnings)
    )


def _shot_of(row: ShotRow) -> Shot:
    return parse_shot(row.definition, f"shot {row.name!r} in the log")
