"""Entering, importing and putting right over the JSON interface."""

from datetime import datetime
from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Request, Response
from pydantic import BaseModel, Field

from app.entry.csv_import import import_attempts
from app.entry.lines import MOST_LINES, Checked, check_lines, log_lines, parse_when, put_line_right
from app.fitting.attempts_csv import read_attempts
from app.store.entries import restore, withdraw
from app.store.log_views import find_shot, list_attempts
from app.store.logged import LoggedAttempt
from app.telling.entries_list import list_entries, write_entries
from app.web.api import MOST_ID, WRONG, Limit, Offset
from app.web.entries_form import table_named
from app.web.shot_lookup import engine_of, shot_of
from calibration.errors import InputError
from calibration.table import Table, standard_table
from vision.reading import attempt_json
from vision.shot import Shot, parse_shot

MOST_CSV_CHARACTERS = 20_000_000
router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]


class EntriesIn(BaseModel):
    lines: list[Annotated[str, Field(max_length=2000)]] = Field(
        max_length=MOST_LINES, description="An attempt each, in the words of 'railpoint enter'."
    )
    player: str | None = Field(default=None, max_length=100)
    at: str | None = Field(default=None, max_length=40, description="Day or ISO time; now without it.")
    table: str | None = Field(default=None, max_length=100, description="Standard table; the shot's own without it.")
    check: bool = Field(default=False, description="Only tell what was understood; log nothing.")


class EntryOut(BaseModel):
    id: int | None = Field(description="The attempt's number in the log; null when it was only checked.")
    line: str
    words: str = Field(description="As it was understood.")
    coordinates: str
    measured: dict[str, Any] = Field(description="As in the reading's JSON.")


class EntriesOut(BaseModel):
    logged: bool
    table: str
    items: list[EntryOut]


class ListedOut(BaseModel):
    id: int
    at: datetime
    player: str
    origin: str = Field(description="clip, hand or import.")
    says: str
    state: str
    withdrawn: bool
    replaces: int | None


class ListedEntries(BaseModel):
    total: int
    items: list[ListedOut]


class LineIn(BaseModel):
    line: str = Field(max_length=2000)


class MarkedOut(BaseModel):
    id: int
    withdrawn: bool


class ImportIn(BaseModel):
    csv: str = Field(max_length=MOST_CSV_CHARACTERS, description="A file of attempts, as text.")
    name: str = Field(default="import.csv", max_length=200, description="What the file is called in messages.")
    shots: list[dict[str, Any]] = Field(default=[], max_length=1000, description="Shots that the log does not hold.")
    player: str | None = Field(default=None, max_length=100)
    table: str | None = Field(default=None, max_length=100)


class ImportOut(BaseModel):
    added: dict[str, int] = Field(description="Attempts by shot.")
    already: int = Field(description="Rows that the log holds already.")
    remarks: list[str]


@router.get("/shots/{shot_id}/entries", tags=["entries"])
def entries(request: Request, shot_id: int, limit: Limit = 100, offset: Offset = 0) -> ListedEntries:
    """The attempts at a shot with their origin, those taken out among them, by number."""
    found = shot_of(request, shot_id)
    attempts = {a.id: a for a in list_attempts(engine_of(request), shot_name=found.shot.name, withdrawn=True)}
    listed = list_entries(tuple(attempts.values()), found.shot)
    items = [
        ListedOut(
            id=e.number,
            at=attempts[e.number].at,
            player=e.player,
            origin=attempts[e.number].source,
            says=e.says,
            state=e.state,
            withdrawn=e.withdrawn,
            replaces=_replaces(attempts[e.number]),
        )
        for e in listed[offset : offset + limit]
    ]
    return ListedEntries(total=len(listed), items=items)


@router.get("/shots/{shot_id}/entries.csv", tags=["entries"], response_class=Response)
def entries_table(request: Request, shot_id: int) -> Response:
    """The list of entries, all of it, as a table, CSV."""
    found, text = shot_of(request, shot_id), StringIO()
    attempts = list_attempts(engine_of(request), shot_name=found.shot.name, withdrawn=True)
    write_entries(list_entries(attempts, found.shot), text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.post("/shots/{shot_id}/entries", tags=["entries"])
def enter(request: Request, shot_id: int, given: EntriesIn) -> EntriesOut:
    """Enter attempts by hand, all or none; `check` only tells what was understood."""
    found = shot_of(request, shot_id)
    table, when = table_named(given.table, found.table), parse_when(given.at)
    checked = check_lines(given.lines, found.shot, table)
    ids: list[int | None] = [None] * len(checked)
    if not given.check:
        ids = [*log_lines(engine_of(request), checked, found.shot, table, player=given.player, at=when)]
    items = [_entry_out(number, one, found.shot, table) for number, one in zip(ids, checked, strict=True)]
    return EntriesOut(logged=not given.check, table=table.name, items=items)


@router.post("/attempts/{attempt_id}/withdraw", tags=["entries"])
def take_out(request: Request, attempt_id: int) -> MarkedOut:
    """Take an attempt out of all counts; it stays in the log, marked."""
    withdraw(engine_of(request), [_checked_id(attempt_id)])
    return MarkedOut(id=attempt_id, withdrawn=True)


@router.post("/attempts/{attempt_id}/restore", tags=["entries"])
def put_back(request: Request, attempt_id: int) -> MarkedOut:
    """Put an attempt back that was taken out."""
    restore(engine_of(request), [_checked_id(attempt_id)])
    return MarkedOut(id=attempt_id, withdrawn=False)


@router.post("/attempts/{attempt_id}/put-right", tags=["entries"])
def put_right(request: Request, attempt_id: int, given: LineIn) -> EntryOut:
    """Log a line in place of a wrong entry by hand, which is taken out."""
    engine = engine_of(request)
    old = next((a for a in list_attempts(engine, withdrawn=True) if a.id == attempt_id), None)
    if old is None:
        raise HTTPException(404, f"There is no attempt {attempt_id}.")
    shot = find_shot(engine, old.shot_name).shot
    number, _ = put_line_right(engine, old, given.line, shot)
    return _entry_out(number, check_lines([given.line], shot, old.table)[0], shot, old.table)


@router.post("/imports", tags=["entries"])
def take_file(request: Request, given: ImportIn) -> ImportOut:
    """Take a file of attempts into the log, all of it or nothing, and nothing twice."""
    shots = [parse_shot(shot, f"shot {k}") for k, shot in enumerate(given.shots, 1)]
    if len({shot.name for shot in shots}) < len(shots):
        raise InputError("two of the shots have one name; names must differ.")
    table = standard_table(given.table) if given.table else None
    file = read_attempts(StringIO(given.csv.removeprefix("\ufeff")), given.name)
    known = {shot.name: shot for shot in shots}
    done = import_attempts(engine_of(request), file, given.name, shots=known, player=given.player, table=table)
    return ImportOut(added=done.added, already=done.already, remarks=list(done.remarks))


def _entry_out(number: int | None, one: Checked, shot: Shot, table: Table) -> EntryOut:
    return EntryOut(
        id=number,
        line=one.echo.line,
        words=one.echo.words,
        coordinates=one.echo.coordinates,
        measured=attempt_json(one.entered.attempt(shot, table)),
    )


def _replaces(logged: LoggedAttempt) -> int | None:
    return None if logged.entry is None else logged.entry.replaces


def _checked_id(attempt_id: int) -> int:
    if not 0 < attempt_id <= MOST_ID:
        raise HTTPException(404, f"There is no attempt {attempt_id}.")
    return attempt_id
