"""Storing what a clip gave; ``app.store.log_views`` reads it back, ``app.store.mixed_log`` stores several drills."""

import hashlib
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from app.store.attempt_columns import attempt_columns, null
from app.store.database import reading, writing
from app.store.models import AttemptLogRow, CameraRow, ClipRow, PlayerRow, SessionRow, ShotRow, TableRow, UnassignedRow
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table
from vision.reading import Reading
from vision.shot import Shot

HASH_BLOCK_BYTES = 1024 * 1024


@dataclass(frozen=True)
class ClipFile:
    """What tells one clip from another: its content. ``filmed_at`` is the file's own date."""

    name: str
    sha256: str
    filmed_at: datetime


@dataclass(frozen=True)
class Stored:
    """What storing did. ``added`` is 0 when the clip was in the log for this shot already, ``taken_out`` how many
    attempts of an earlier reading of it were marked as taken out."""

    session_id: int
    added: int
    already: bool
    taken_out: int = 0


def identify_clip(path: Path, progress: Callable[[float], None] | None = None) -> ClipFile:
    """Hash a clip's content. Raises InputError when the file cannot be read."""
    digest = hashlib.sha256()
    try:
        size = max(path.stat().st_size, 1)
        filmed_at = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        with path.open("rb") as stream:
            while block := stream.read(HASH_BLOCK_BYTES):
                digest.update(block)
                if progress is not None:
                    progress(min(stream.tell() / size, 1.0))
    except OSError as error:
        raise InputError(f"{path}: the clip cannot be read ({error.strerror}).") from error
    return ClipFile(path.name, digest.hexdigest(), filmed_at)


def store_reading(
    engine: Engine,
    read: Reading,
    clip: ClipFile,
    *,
    setup: Setup | None = None,
    player: str | None = None,
    anew: bool = False,
) -> Stored:
    """Put a reading into the log, all of it or nothing; a clip that is there for this shot adds nothing.

    ``anew``: it stands in place of what the log holds of the clip for this shot, which is taken out: it stays, marked.
    Raises InputError when the log holds another shot under the same name.
    """
    try:
        with writing(engine) as session:
            return add_reading(session, read, clip, setup, player, anew=anew)
    except IntegrityError:
        # Another program stored the same clip, shot, table or player between our look and our writing; now it is seen.
        with writing(engine) as session:
            return add_reading(session, read, clip, setup, player, anew=anew)


def table_of(read: Reading) -> Table:
    """The table of a reading: a standard one with the lengths that were read, or one with the common small parts."""
    standard = STANDARD_TABLES.get(read.table_name)
    if standard is None:
        return Table(read.table_name, read.table_length_m, read.table_width_m)
    return replace(standard, length_m=read.table_length_m, width_m=read.table_width_m)


def check_shot(engine: Engine, shot: Shot) -> None:
    """Raises InputError when the log holds another shot under the same name. Changes nothing."""
    with reading(engine) as session:
        row = session.scalar(select(ShotRow).where(ShotRow.name == shot.name))
        if row is not None:
            _refuse_other(row, shot.to_json())


def add_reading(
    session: Session, read: Reading, clip: ClipFile, setup: Setup | None, player: str | None, *, anew: bool = False
) -> Stored:
    """As ``store_reading``, within a transaction."""
    shot = shot_row(session, read.shot)
    found = session.scalar(select(ClipRow).where(ClipRow.sha256 == clip.sha256, ClipRow.shot_id == shot.id))
    if found is not None and not anew:
        return Stored(found.session_id, 0, already=True)
    practice = practice_of(session, read, clip, setup, player)
    taken_out = 0
    if found is not None:
        taken_out = _take_out(session, found)
        practice.table = table_row(session, setup.table if setup is not None else table_of(read))
    row = found or ClipRow(session_id=practice.id, shot_id=shot.id, sha256=clip.sha256)
    row.camera = _camera_row(session, practice.table, read, setup)
    row.name = clip.name
    row.reader = read.reader
    row.facts = {key: _plain(value) for key, value in asdict(read.clip).items()}
    row.common_bearing_sd_rad = null(read.camera.common_bearing_sd_rad)
    row.not_attempts = [{"t_s": null(n.t_s), "why": n.why} for n in read.not_attempts]
    row.warnings = list(read.warnings)
    session.add(row)
    session.flush()
    for attempt in read.attempts:
        session.add(
            AttemptLogRow(
                session_id=practice.id,
                shot_id=shot.id,
                clip_id=row.id,
                source="clip",
                **attempt_columns(attempt),
            )
        )
    return Stored(practice.id, len(read.attempts), already=False, taken_out=taken_out)


def _take_out(session: Session, clip: ClipRow) -> int:
    """Mark what stands of an earlier reading of a clip as taken out; gives how many attempts that were."""
    standing = session.scalars(
        select(AttemptLogRow).where(AttemptLogRow.clip_id == clip.id, AttemptLogRow.withdrawn_at.is_(None))
    ).all()
    for row in standing:
        row.withdrawn_at = datetime.now(UTC)
    return len(standing)


def practice_of(session: Session, read: Reading, clip: ClipFile, setup: Setup | None, player: str | None) -> SessionRow:
    """The practice that a film shows: the same film read for a second shot belongs to the same one."""
    read_before = session.scalar(select(ClipRow).where(ClipRow.sha256 == clip.sha256).order_by(ClipRow.id))
    if read_before is not None:
        return read_before.session
    left_over = session.scalar(select(UnassignedRow).where(UnassignedRow.sha256 == clip.sha256))
    if left_over is not None:
        return left_over.session
    table = table_row(session, setup.table if setup is not None else table_of(read))
    practice = SessionRow(table=table, player=player_row(session, player), started_at=clip.filmed_at)
    session.add(practice)
    session.flush()
    return practice


def shot_row(session: Session, shot: Shot) -> ShotRow:
    """The library's row of a shot, made if need be. Raises InputError when another shot has its name."""
    definition = shot.to_json()
    row = session.scalar(select(ShotRow).where(ShotRow.name == shot.name))
    if row is None:
        row = ShotRow(name=shot.name, definition=definition)
        session.add(row)
        session.flush()
    _refuse_other(row, definition)
    return row


def _refuse_other(row: ShotRow, definition: dict[str, Any]) -> None:
    """Attempts at two different things under one name would be pooled by the fit."""
    for key in definition:
        if row.definition.get(key) != definition[key]:
            raise InputError(
                f"the log already holds a shot {row.name!r} with another '{key}' "
                f"({row.definition.get(key)} there, {definition[key]} here); give this one a name of its own."
            )


def table_row(session: Session, table: Table) -> TableRow:
    """The row of a table of this name and size, made if need be."""
    found = session.scalars(select(TableRow).where(TableRow.name == table.name))
    for row in found:
        if abs(row.length_m - table.length_m) < 1e-4 and abs(row.width_m - table.width_m) < 1e-4:
            return row
    row = TableRow(name=table.name, length_m=table.length_m, width_m=table.width_m, measures=asdict(table))
    session.add(row)
    return row


def player_row(session: Session, name: str | None) -> PlayerRow | None:
    """The row of a player, made if need be; None without a name."""
    if name is None or not name.strip():
        return None
    row = session.scalar(select(PlayerRow).where(PlayerRow.name == name.strip()))
    if row is None:
        row = PlayerRow(name=name.strip())
        session.add(row)
    return row


def _camera_row(session: Session, table: TableRow, read: Reading, setup: Setup | None) -> CameraRow:
    row = CameraRow(
        table_id=table.id,
        head=read.head,
        width_px=read.clip.width,
        height_px=read.clip.height,
        facts={
            "residual_px": null(read.camera.residual_px),
            "mm_per_px": null(read.camera.mm_per_px),
            "automatic": read.camera.automatic,
        },
        setup=None if setup is None else setup.to_json(),
    )
    session.add(row)
    return row


def _plain(value: Any) -> Any:
    return null(value) if isinstance(value, float) else value
