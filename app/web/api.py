"""The JSON interface under /api. What it says of a reading or a fit is what the command line writes to a file."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request, Response
from sqlalchemy import Engine

from app.fitting.choices import fit_apart
from app.room.marks import Marks
from app.room.room_file import Room, load_room
from app.store import log_views
from app.store.logged import LoggedAttempt, LoggedSession, LoggedShot
from app.telling.mirrored import image_names, practise_mirrored
from app.telling.practice import practise, practised_rows
from app.telling.rest_of_log import fit_together, rest_of_log
from app.telling.words import tell_attempt
from app.web.api_schema import (
    AttemptOut,
    Attempts,
    ClipOut,
    ErrorAnswer,
    SessionDetail,
    SessionOut,
    Sessions,
    ShotOut,
    Shots,
    UnassignedOut,
    Words,
)
from app.web.shot_lookup import engine_of, shot_of
from calibration.table import STANDARD_TABLES, Table
from vision.reading import attempt_json
from vision.shot import Shot

MOST_ITEMS = 1000
# The largest whole number that every database takes as an id.
MOST_ID = 2**31 - 1
WRONG = {404: {"model": ErrorAnswer}, 422: {"model": ErrorAnswer}}
router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]

Limit = Annotated[int, Query(ge=1, le=MOST_ITEMS, description="How many at most.")]
Offset = Annotated[int, Query(ge=0, description="How many to pass over.")]


@router.get("/sessions", tags=["sessions"])
def sessions(request: Request, limit: Limit = 100, offset: Offset = 0) -> Sessions:
    """All sessions, the newest first."""
    lines = log_views.list_sessions(engine_of(request))
    items = [
        SessionOut(
            id=s.id,
            started_at=s.started_at,
            table=s.table_name,
            player=s.player,
            shots=list(s.shots),
            attempts=s.attempts,
            made=s.made,
        )
        for s in lines[offset : offset + limit]
    ]
    return Sessions(total=len(lines), items=items)


@router.get("/sessions/{session_id}", tags=["sessions"])
def session(request: Request, session_id: int) -> SessionDetail:
    """One session: its table, shots and clips."""
    found = _session(request, session_id)
    return SessionDetail(
        id=found.id,
        started_at=found.started_at,
        player=found.player,
        note=found.note,
        table={"name": found.table.name, "length_m": found.table.length_m, "width_m": found.table.width_m},
        shots=[shot.to_json() for shot in found.shots],
        clips=[
            ClipOut(
                name=c.name,
                shot=c.shot_name,
                reader=c.reader,
                facts=c.facts,
                camera=c.camera,
                not_attempts=list(c.not_attempts),
                warnings=list(c.warnings),
            )
            for c in found.clips
        ],
        unassigned=[UnassignedOut(clip=u.clip_name, why=u.why, measured=u.measured) for u in found.unassigned],
    )


@router.get("/sessions/{session_id}/attempts", tags=["attempts"])
def session_attempts(request: Request, session_id: int, limit: Limit = 100, offset: Offset = 0) -> Attempts:
    """The attempts of one session, by shot and time."""
    found = _session(request, session_id)
    return _page(engine_of(request), found.attempts, limit, offset)


@router.get("/sessions/{session_id}/fits", tags=["fits"])
def session_fits(request: Request, session_id: int) -> list[dict[str, Any]]:
    """The fit of each shot from this session's attempts alone."""
    found = _session(request, session_id)
    marks = marks_of(request, found.table)
    engine = engine_of(request)
    return [
        practise(
            shot, found.table, found.of_shot(shot.name), marks, rest_of_log(engine, shot.name, found.table)
        ).fit.to_json()
        for shot in found.shots
    ]


@router.get("/sessions/{session_id}/drawing.svg", tags=["sessions"], response_class=Response)
def session_drawing(
    request: Request, session_id: int, shot: Annotated[int, Query(ge=0, description="Which of its shots, from 0.")] = 0
) -> Response:
    """The picture of one of a session's shots, as SVG."""
    found = _session(request, session_id)
    if shot >= len(found.shots):
        raise HTTPException(404, f"Session {session_id} has {len(found.shots)} shots; there is no number {shot}.")
    which = found.shots[shot]
    others = rest_of_log(engine_of(request), which.name, found.table)
    picture = practise(which, found.table, found.of_shot(which.name), None, others).drawing(standalone=True)
    return Response(picture, media_type="image/svg+xml")


@router.get("/attempts", tags=["attempts"])
def attempts(
    request: Request,
    shot: Annotated[str | None, Query(max_length=200, description="Only those at the shot of this name.")] = None,
    limit: Limit = 100,
    offset: Offset = 0,
) -> Attempts:
    """Attempts of the whole log, by session, shot and time."""
    engine = engine_of(request)
    if shot is not None and all(s.shot.name != shot for s in log_views.list_shots(engine)):
        raise HTTPException(404, f"There is no shot named {shot!r}.")
    return _page(engine, log_views.list_attempts(engine, shot_name=shot), limit, offset)


@router.get("/attempts/{attempt_id}", tags=["attempts"])
def attempt(request: Request, attempt_id: int) -> AttemptOut:
    """One attempt."""
    engine = engine_of(request)
    found = log_views.find_attempt(engine, attempt_id) if 0 < attempt_id <= MOST_ID else None
    if found is None:
        raise HTTPException(404, f"There is no attempt {attempt_id}.")
    return _page(engine, (found,), 1, 0).items[0]


@router.get("/shots", tags=["shots"])
def shots(request: Request, limit: Limit = 100, offset: Offset = 0) -> Shots:
    """The library of shots, by name."""
    found = log_views.list_shots(engine_of(request))
    return Shots(total=len(found), items=[_shot_out(s) for s in found[offset : offset + limit]])


@router.get("/shots/{shot_id}", tags=["shots"])
def shot(request: Request, shot_id: int) -> ShotOut:
    """One shot."""
    return _shot_out(shot_of(request, shot_id))


@router.get("/shots/{shot_id}/fit", tags=["fits"])
def shot_fit(
    request: Request,
    shot_id: int,
    mirrored: Annotated[
        Literal["pool", "compare"] | None, Query(description="The same shot from mirrored corners: pool or compare.")
    ] = None,
) -> dict[str, Any]:
    """The fit of a shot from all its attempts in the log."""
    found = shot_of(request, shot_id)
    table = found.table or STANDARD_TABLES["9ft"]
    logged, marks = _logged(request, found), marks_of(request, table)
    others = rest_of_log(engine_of(request), found.shot.name, table)
    if mirrored is None:
        return practise(found.shot, table, logged, marks, others).fit.to_json()
    images = images_of(request, found, table)
    return practise_mirrored(found.shot, table, logged, images, mirrored, marks, others).fit.to_json()


@router.get("/shots/{shot_id}/fits", tags=["fits"])
def shot_fits_apart(
    request: Request,
    shot_id: int,
    by: Annotated[
        Literal["english", "speed", "player", "day", "session"], Query(description="What the parts differ by.")
    ],
) -> list[dict[str, Any]]:
    """The fits of a shot apart by english, speed, player, day or session."""
    found = shot_of(request, shot_id)
    table = found.table or STANDARD_TABLES["9ft"]
    rows = practised_rows(found.shot, table, _logged(request, found))
    others = rest_of_log(engine_of(request), found.shot.name, table)
    marks, known = marks_of(request, table), {found.shot.name: found.shot}
    return [f.to_json() for f in fit_apart(rows, by, table, known, marks, others)]


@router.get("/fits", tags=["fits"])
def fits(request: Request, limit: Limit = 20, offset: Offset = 0) -> list[dict[str, Any]]:
    """The fits of all shots, by name."""
    found = log_views.list_shots(engine_of(request))[offset : offset + limit]
    drilled = [
        (s.shot, table, practised_rows(s.shot, table, _logged(request, s)))
        for s in found
        for table in [s.table or STANDARD_TABLES["9ft"]]
    ]
    return [fit.to_json() for fit in fit_together(engine_of(request), drilled, room_of(request).marks_on)]


def room_of(request: Request) -> Room:
    """The room as it is stated now."""
    return load_room(request.app.state.room_file, request.app.state.marks_file)


def marks_of(request: Request, table: Table) -> Marks:
    """The marks of the room as they are stated now, by a table."""
    return room_of(request).marks_on(table)


def images_of(request: Request, found: LoggedShot, table: Table) -> dict[Shot, Sequence[LoggedAttempt]]:
    """The log's shots that are this one from mirrored corners, with their attempts."""
    library = {s.shot.name: s for s in log_views.list_shots(engine_of(request))}
    names = image_names(found.shot, [s.shot for s in library.values()], table)
    return {library[name].shot: _logged(request, library[name]) for name in names}


def _logged(request: Request, found: LoggedShot) -> Sequence[LoggedAttempt]:
    return log_views.list_attempts(engine_of(request), shot_name=found.shot.name)


def _session(request: Request, session_id: int) -> LoggedSession:
    found = log_views.load_session(engine_of(request), session_id) if 0 < session_id <= MOST_ID else None
    if found is None:
        raise HTTPException(404, f"There is no session {session_id}.")
    return found


def _shot_out(found: LoggedShot) -> ShotOut:
    return ShotOut(id=found.id, shot=found.shot.to_json(), attempts=found.attempts, made=found.made)


def _page(engine: Engine, found: Sequence[LoggedAttempt], limit: int, offset: int) -> Attempts:
    known = {s.shot.name: s.shot for s in log_views.list_shots(engine)}
    items = [_attempt_out(a, known[a.shot_name]) for a in found[offset : offset + limit]]
    return Attempts(total=len(found), items=items)


def _attempt_out(logged: LoggedAttempt, shot: Shot) -> AttemptOut:
    words = tell_attempt(logged.attempt, shot, logged.table)
    return AttemptOut(
        id=logged.id,
        number=logged.number,
        session=logged.session_id,
        shot=logged.shot_name,
        source=logged.source,
        clip=logged.clip,
        at=logged.at,
        player=logged.player,
        words=Words(**asdict(words) | {"remarks": list(words.remarks)}),
        measured=attempt_json(logged.attempt),
    )
