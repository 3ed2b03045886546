"""The page of a shot's entries: a form for lines, their echo before they are logged, and the list to put right."""

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qs, urlencode

from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse

from app.entry.lines import DEFAULT_TABLE, Checked, check_lines, log_lines, parse_when, put_line_right
from app.store.entries import restore, withdraw
from app.store.log_views import list_attempts
from app.store.logged import LoggedAttempt, LoggedShot
from app.telling.entries_list import list_entries
from app.web.form_values import form_values
from app.web.pages import page
from app.web.shot_lookup import engine_of, shot_of
from calibration.errors import InputError
from calibration.table import Table, standard_table

MOST_FORM_BYTES = 1_000_000
MOST_FIELDS = 20
# So many entries are shown at once; the command's list has all.
MOST_SHOWN = 200
pages = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Asked:
    """What a form holds; ``put_right`` is the number of a wrong entry, 0 for new ones."""

    lines: str = ""
    player: str = ""
    at: str = ""
    table: str = ""
    do: str = ""
    put_right: int = 0


async def form(request: Request) -> Asked:
    """A form as browsers send it. Raises HTTPException for what is none, or too large."""
    if not request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        raise HTTPException(415, "This page takes the form that it shows.")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_FORM_BYTES:
            raise HTTPException(413, "The form is too large; enter fewer lines at once.")
    try:
        fields = parse_qs(body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as error:
        raise HTTPException(422, "The form cannot be read.") from error
    told = {name: values[-1] for name, values in fields.items()}
    number = told.get("put_right", "")
    return Asked(
        lines=told.get("lines", ""),
        player=told.get("player", ""),
        at=told.get("at", ""),
        table=told.get("table", ""),
        do=told.get("do", "check"),
        put_right=int(number) if number.isascii() and number.isdigit() and len(number) < 10 else 0,
    )


@pages.get("/shots/{shot_id}/entries")
def entries_page(
    request: Request,
    shot_id: int,
    right: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0,
    logged: Annotated[str, Query(max_length=2000)] = "",
    player: Annotated[str, Query(max_length=100)] = "",
    at: Annotated[str, Query(max_length=40)] = "",
    table: Annotated[str, Query(max_length=100)] = "",
) -> Response:
    found = shot_of(request, shot_id)
    attempts = _attempts(request, found)
    asked = Asked(player=player, at=at, table=table)
    if right:
        old = _by_hand(attempts, right)
        asked = Asked(lines=old.entry.line if old.entry else "", put_right=right)
    return _show(request, found, attempts, asked, logged=logged if logged.replace(",", "").isdigit() else "")


@pages.post("/shots/{shot_id}/entries")
def take_entries(request: Request, shot_id: int, asked: Annotated[Asked, Depends(form)]) -> Response:
    found = shot_of(request, shot_id)
    attempts = _attempts(request, found)
    lines = asked.lines.splitlines()
    try:
        if asked.put_right:
            old = _by_hand(attempts, asked.put_right)
            checked = check_lines([" ".join(lines)], found.shot, old.table)
            if asked.do == "log":
                number, _ = put_line_right(engine_of(request), old, " ".join(lines), found.shot)
                return _seen(shot_id, [number], Asked())
        else:
            table, when = table_named(asked.table, found.table), parse_when(asked.at)
            checked = check_lines(lines, found.shot, table)
            if asked.do == "log":
                player = asked.player or None
                ids = log_lines(engine_of(request), checked, found.shot, table, player=player, at=when)
                return _seen(shot_id, ids, asked)
    except InputError as error:
        return _show(request, found, attempts, asked, wrong=str(error).splitlines(), status=422)
    return _show(request, found, attempts, asked, checked=checked)


@pages.post("/shots/{shot_id}/entries/{attempt_id}/withdraw")
def withdraw_entry(request: Request, shot_id: int, attempt_id: int) -> Response:
    withdraw(engine_of(request), [attempt_id], shot_of(request, shot_id).shot.name)
    return _list_again(shot_id, attempt_id)


@pages.post("/shots/{shot_id}/entries/{attempt_id}/restore")
def restore_entry(request: Request, shot_id: int, attempt_id: int) -> Response:
    restore(engine_of(request), [attempt_id], shot_of(request, shot_id).shot.name)
    return _list_again(shot_id, attempt_id)


def table_named(name: str | None, own: Table | None) -> Table:
    """A standard table, or the shot's own for no name or its own. Raises InputError for one that is not known."""
    if not name or (own is not None and name == own.name):
        return own or DEFAULT_TABLE
    return standard_table(name)


def _attempts(request: Request, found: LoggedShot) -> tuple[LoggedAttempt, ...]:
    return list_attempts(engine_of(request), shot_name=found.shot.name, withdrawn=True)


def _by_hand(attempts: tuple[LoggedAttempt, ...], number: int) -> LoggedAttempt:
    old = next((a for a in attempts if a.id == number and a.source == "hand"), None)
    if old is None:
        raise HTTPException(404, f"There is no entry by hand {number} at this shot.")
    return old


def _show(
    request: Request,
    found: LoggedShot,
    attempts: tuple[LoggedAttempt, ...],
    asked: Asked,
    *,
    checked: list[Checked] | None = None,
    wrong: list[str] | None = None,
    logged: str = "",
    status: int = 200,
) -> Response:
    entries = list_entries(attempts, found.shot)
    numbers = {int(number) for number in logged.split(",") if number}
    return page(
        "entries.html",
        status=status,
        found=found,
        asked=asked,
        checked=checked or [],
        wrong=wrong or [],
        entries=entries[: -MOST_SHOWN - 1 : -1],
        total=len(entries),
        logged=[e for e in entries if e.number in numbers],
        **form_values(engine_of(request), found),
    )


def _seen(shot_id: int, numbers: list[int], asked: Asked) -> Response:
    """After a form was taken: an address that can be loaded again without logging again; the next lines are likely of
    the same player, day and table."""
    told = {
        "logged": ",".join(map(str, numbers[:MOST_SHOWN])),
        "player": asked.player,
        "at": asked.at,
        "table": asked.table,
    }
    query = urlencode({name: value for name, value in told.items() if value}, safe=",")
    return RedirectResponse(f"/shots/{shot_id}/entries?{query}", status_code=303)


def _list_again(shot_id: int, attempt_id: int) -> Response:
    return RedirectResponse(f"/shots/{shot_id}/entries#entry-{attempt_id}", status_code=303)
