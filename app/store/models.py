"""The tables of the log. Metres, seconds and radians; NULL is "not measured", and the program's NaN outside.

A *session* is one practice at one table. It holds *clips*, each read for one shot, and *attempts*, which came from a
clip, were entered by hand or imported (these have an *entry* besides); strokes of a clip of several drills that were at
none of the shots stay *unassigned*. What the program measured is never written over: *corrections* stand beside it.
"""

from datetime import UTC, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

NAMES = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcTime(TypeDecorator[datetime]):
    """A moment. Stored as UTC, also where the database keeps no time zone (SQLite)."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def now() -> datetime:
    return datetime.now(UTC)


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map: ClassVar[dict[Any, Any]] = {float: Double()}


class TableRow(Base):
    """A table that was played on. ``measures`` holds every length of its geometry."""

    __tablename__ = "tables"
    __table_args__ = (UniqueConstraint("name", "length_m", "width_m"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100))
    length_m: Mapped[float]
    width_m: Mapped[float]
    measures: Mapped[dict[str, Any]] = mapped_column(JSON)


class CameraRow(Base):
    """A registered camera over a table; ``setup`` is the camera file, when there is one."""

    __tablename__ = "cameras"

    id: Mapped[int] = mapped_column(primary_key=True)
    table_id: Mapped[int] = mapped_column(ForeignKey("tables.id"), index=True)
    head: Mapped[str] = mapped_column(String(10))
    width_px: Mapped[int]
    height_px: Mapped[int]
    facts: Mapped[dict[str, Any]] = mapped_column(JSON)
    setup: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class PlayerRow(Base):
    __tablename__ = "players"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), unique=True)


class ShotRow(Base):
    """What is drilled; ``definition`` is the shot file's mapping."""

    __tablename__ = "shots"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    definition: Mapped[dict[str, Any]] = mapped_column(JSON)


class SessionRow(Base):
    __tablename__ = "sessions"

    id: Mapped[int] = mapped_column(primary_key=True)
    table_id: Mapped[int] = mapped_column(ForeignKey("tables.id"), index=True)
    player_id: Mapped[int | None] = mapped_column(ForeignKey("players.id"), index=True)
    started_at: Mapped[datetime] = mapped_column(UtcTime, index=True)
    note: Mapped[str] = mapped_column(String(2000), default="")

    table: Mapped[TableRow] = relationship()
    player: Mapped[PlayerRow | None] = relationship()
    clips: Mapped[list["ClipRow"]] = relationship(back_populates="session", order_by="ClipRow.id")
    attempts: Mapped[list["AttemptLogRow"]] = relationship(
        back_populates="session", order_by="AttemptLogRow.shot_id, AttemptLogRow.t_s, AttemptLogRow.id"
    )
    unassigned: Mapped[list["UnassignedRow"]] = relationship(
        back_populates="session", order_by="UnassignedRow.t_s, UnassignedRow.id"
    )


class ClipRow(Base):
    """A clip read for a shot. The pair of content and shot is unique: reading it again adds nothing."""

    __tablename__ = "clips"
    __table_args__ = (UniqueConstraint("sha256", "shot_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    shot_id: Mapped[int] = mapped_column(ForeignKey("shots.id"), index=True)
    camera_id: Mapped[int | None] = mapped_column(ForeignKey("cameras.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64))
    name: Mapped[str] = mapped_column(String(400))
    reader: Mapped[str] = mapped_column(String(40))
    facts: Mapped[dict[str, Any]] = mapped_column(JSON)
    common_bearing_sd_rad: Mapped[float | None]
    not_attempts: Mapped[list[Any]] = mapped_column(JSON)
    warnings: Mapped[list[Any]] = mapped_column(JSON)
    read_at: Mapped[datetime] = mapped_column(UtcTime, default=now)

    session: Mapped[SessionRow] = relationship(back_populates="clips")
    shot: Mapped[ShotRow] = relationship()
    camera: Mapped[CameraRow | None] = relationship()


class AttemptLogRow(Base):
    """One attempt as measured or entered. ``source`` is "clip", "hand" or "import".

    One that was taken out stays, with the time at which that was done.
    """

    __tablename__ = "attempts"

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    shot_id: Mapped[int] = mapped_column(ForeignKey("shots.id"), index=True)
    clip_id: Mapped[int | None] = mapped_column(ForeignKey("clips.id"), index=True)
    source: Mapped[str] = mapped_column(String(10))
    t_s: Mapped[float | None]
    t_sd_s: Mapped[float | None]
    ball: Mapped[str] = mapped_column(String(40))
    start_x_m: Mapped[float | None]
    start_y_m: Mapped[float | None]
    start_sd_m: Mapped[float | None]
    bearing_rad: Mapped[float | None]
    bearing_sd_rad: Mapped[float | None]
    speed_mps: Mapped[float | None]
    speed_sd_mps: Mapped[float | None]
    cue_start_x_m: Mapped[float | None]
    cue_start_y_m: Mapped[float | None]
    cue_bearing_rad: Mapped[float | None]
    cut_rad: Mapped[float | None]
    contacts: Mapped[list[Any]] = mapped_column(JSON)
    ball_contacts: Mapped[list[Any]] = mapped_column(JSON)
    pocketed: Mapped[list[Any]] = mapped_column(JSON)
    outcome: Mapped[str] = mapped_column(String(10))
    miss_m: Mapped[float | None]
    miss_sd_m: Mapped[float | None]
    miss_per_rad_m: Mapped[float | None]
    flags: Mapped[list[Any]] = mapped_column(JSON)
    path: Mapped[bytes] = mapped_column(LargeBinary)
    placement: Mapped[list[Any]] = mapped_column(JSON, default=list)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcTime)

    session: Mapped[SessionRow] = relationship(back_populates="attempts")
    shot: Mapped[ShotRow] = relationship()
    clip: Mapped[ClipRow | None] = relationship()
    corrections: Mapped[list["CorrectionRow"]] = relationship(order_by="CorrectionRow.id")
    entry: Mapped["EntryRow | None"] = relationship(back_populates="attempt", foreign_keys="EntryRow.attempt_id")


class EntryRow(Base):
    """What an attempt that was not filmed says of itself beside what every attempt has; NULL is "not told".

    ``line`` is what was typed; ``file`` names the file of an imported one, whose ``at_text`` is kept as it stood there.
    ``clip`` and ``common_bearing_sd_rad``: entries of one name share an unknown turn of this standard deviation.
    ``replaces_id`` is the attempt that this one puts right.
    """

    __tablename__ = "entries"

    id: Mapped[int] = mapped_column(primary_key=True)
    attempt_id: Mapped[int] = mapped_column(ForeignKey("attempts.id"), unique=True)
    replaces_id: Mapped[int | None] = mapped_column(ForeignKey("attempts.id"))
    line: Mapped[str] = mapped_column(Text, default="")
    file: Mapped[str] = mapped_column(Text, default="")
    at: Mapped[datetime | None] = mapped_column(UtcTime)
    at_text: Mapped[str | None] = mapped_column(Text)
    outcome: Mapped[str | None] = mapped_column(String(10))
    miss_side: Mapped[str | None] = mapped_column(String(10))
    margin_left_rad: Mapped[float | None]
    margin_right_rad: Mapped[float | None]
    english: Mapped[str | None] = mapped_column(Text)
    tips: Mapped[float | None]
    clip: Mapped[str | None] = mapped_column(Text)
    common_bearing_sd_rad: Mapped[float | None]
    note: Mapped[str | None] = mapped_column(Text)
    entered_at: Mapped[datetime] = mapped_column(UtcTime, default=now)

    attempt: Mapped[AttemptLogRow] = relationship(back_populates="entry", foreign_keys=[attempt_id])


class UnassignedRow(Base):
    """A stroke of a clip of several drills that was at none of the shots; ``measured`` is as in the reading's JSON.

    Reading the clip again, with more shots perhaps, writes a clip's rows anew.
    """

    __tablename__ = "unassigned"

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    clip_name: Mapped[str] = mapped_column(String(400))
    t_s: Mapped[float | None]
    why: Mapped[str] = mapped_column(Text)
    measured: Mapped[dict[str, Any]] = mapped_column(JSON)
    path: Mapped[bytes] = mapped_column(LargeBinary)

    session: Mapped[SessionRow] = relationship(back_populates="unassigned")


class CorrectionRow(Base):
    """A value a person put in place of a measured one; of several for one field the last counts."""

    __tablename__ = "corrections"

    id: Mapped[int] = mapped_column(primary_key=True)
    attempt_id: Mapped[int] = mapped_column(ForeignKey("attempts.id"), index=True)
    field: Mapped[str] = mapped_column(String(40))
    value: Mapped[Any] = mapped_column(JSON)
    note: Mapped[str] = mapped_column(String(2000), default="")
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
