"""What the log holds, as plain values: sessions, clips, attempts, shots."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from calibration.table import Table
from vision.reading import Attempt
from vision.shot import Shot


@dataclass(frozen=True)
class LoggedEntry:
    """What an attempt that was not filmed says of itself; the columns of ``EntryRow``, NaN and None where not told."""

    line: str
    file: str
    at_text: str | None
    outcome: str | None
    miss_side: str | None
    margin_left_rad: float
    margin_right_rad: float
    english: str | None
    tips: float
    note: str | None
    replaces: int | None


@dataclass(frozen=True)
class LoggedAttempt:
    """An attempt of the log. ``number`` counts within its session and shot, from 1, in order of time.
    ``session_at`` is when its session began.

    ``source`` is clip, hand or import; the latter two have an ``entry``.
    """

    id: int
    number: int
    session_id: int
    shot_name: str
    source: str
    clip: str
    common_bearing_sd_rad: float
    at: datetime
    player: str
    attempt: Attempt
    table: Table
    corrections: tuple[tuple[str, Any], ...] = ()
    entry: LoggedEntry | None = None
    withdrawn: bool = False
    session_at: datetime | None = None

    @property
    def session_name(self) -> str:
        """``4 of 2026-03-01``: its session by number and day."""
        return f"{self.session_id} of {(self.session_at or self.at).date().isoformat()}"


@dataclass(frozen=True)
class LoggedClip:
    name: str
    shot_name: str
    reader: str
    facts: dict[str, Any]
    camera: dict[str, Any]
    not_attempts: tuple[dict[str, Any], ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class LoggedUnassigned:
    """A stroke at none of the shots that were drilled; ``measured`` as in the reading's JSON."""

    clip_name: str
    t_s: float
    why: str
    measured: dict[str, Any]


@dataclass(frozen=True)
class SessionLine:
    """One line of the list of sessions."""

    id: int
    started_at: datetime
    table_name: str
    player: str
    shots: tuple[str, ...]
    attempts: int
    made: int


@dataclass(frozen=True)
class LoggedSession:
    id: int
    started_at: datetime
    player: str
    note: str
    table: Table
    clips: tuple[LoggedClip, ...]
    shots: tuple[Shot, ...]
    attempts: tuple[LoggedAttempt, ...]
    unassigned: tuple[LoggedUnassigned, ...] = ()

    def of_shot(self, name: str) -> tuple[LoggedAttempt, ...]:
        return tuple(a for a in self.attempts if a.shot_name == name)


@dataclass(frozen=True)
class LoggedShot:
    """A shot of the library; ``table`` is the table of its newest session, None before the first."""

    id: int
    shot: Shot
    attempts: int
    made: int
    table: Table | None
