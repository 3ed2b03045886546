"""Storing what a clip of several drills gave: each shot's attempts, and the strokes at none of them."""

from dataclasses import dataclass

from sqlalchemy import Engine, delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from app.store.attempt_columns import null, pack_path
from app.store.database import writing
from app.store.log import ClipFile, add_reading, practice_of
from app.store.models import AttemptLogRow, ClipRow, UnassignedRow
from calibration.camera import Setup
from vision.mixed_reading import MixedReading, Unassigned
from vision.reading import attempt_json

# Two readings of one film find a stroke within this time of each other.
SAME_STROKE_S = 0.05


@dataclass(frozen=True)
class StoredMixed:
    """What storing did. ``added`` counts attempts by shot; ``already`` names shots for which the clip was there.

    ``unassigned`` counts the strokes kept at none of the shots; ``twice`` the attempts added that the log holds for
    another shot as well, from reading the clip for that one alone. ``session_id`` is None when there was nothing to
    keep.
    """

    session_id: int | None
    added: dict[str, int]
    already: tuple[str, ...]
    unassigned: int
    twice: int


def store_mixed(
    engine: Engine, mixed: MixedReading, clip: ClipFile, *, setup: Setup | None = None, player: str | None = None
) -> StoredMixed:
    """Put a clip's attempts into the log under their shots, all or nothing, and its other strokes as unassigned.

    A shot without an attempt in the clip leaves no trace; one for which the clip is there already gets nothing added.
    Raises InputError when the log holds another shot under the name of one.
    """
    try:
        with writing(engine) as session:
            return _add(session, mixed, clip, setup, player)
    except IntegrityError:
        # Another program stored the same clip, shot, table or player between our look and our writing; now it is seen.
        with writing(engine) as session:
            return _add(session, mixed, clip, setup, player)


def _add(session: Session, mixed: MixedReading, clip: ClipFile, setup: Setup | None, player: str | None) -> StoredMixed:
    before = _strokes(session, clip)
    added: dict[str, int] = {}
    already: list[str] = []
    session_id, twice = None, 0
    for read in mixed.attempted:
        stored = add_reading(session, read, clip, setup, player)
        session_id = stored.session_id
        if stored.already:
            already.append(read.shot.name)
            continue
        added[read.shot.name] = stored.added
        twice += sum(_among(a.t_s, before) for a in read.attempts)
    # What an earlier reading left over may be at one of these shots.
    session.execute(delete(UnassignedRow).where(UnassignedRow.sha256 == clip.sha256))
    session.flush()
    known = _strokes(session, clip)
    left = [u for u in mixed.unassigned if not _among(u.attempt.t_s, known)]
    if left:
        practice = practice_of(session, mixed.readings[0], clip, setup, player)
        session_id = practice.id
        session.add_all(_row(u, session_id, clip) for u in left)
    return StoredMixed(session_id, added, tuple(already), len(left), twice)


def _strokes(session: Session, clip: ClipFile) -> list[float]:
    """Times of the strokes that the log holds of a clip at any shot."""
    times = session.scalars(select(AttemptLogRow.t_s).join(ClipRow).where(ClipRow.sha256 == clip.sha256))
    return [t_s for t_s in times if t_s is not None]


def _among(t_s: float, times_s: list[float]) -> bool:
    return any(abs(t_s - other) < SAME_STROKE_S for other in times_s)


def _row(left: Unassigned, session_id: int, clip: ClipFile) -> UnassignedRow:
    a = left.attempt
    return UnassignedRow(
        session_id=session_id,
        sha256=clip.sha256,
        clip_name=clip.name,
        t_s=null(a.t_s),
        why=left.why,
        measured=attempt_json(a),
        path=pack_path(a.path_m, a.t_s),
    )
