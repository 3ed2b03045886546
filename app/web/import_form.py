"""The page that takes a file of attempts into the log."""

from dataclasses import dataclass
from email.parser import BytesParser
from email.policy import HTTP
from io import StringIO
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request, Response

from app.entry.csv_import import Imported, import_attempts
from app.fitting.attempts_csv import COLUMNS, REQUIRED, read_attempts
from app.store.log_views import list_players
from app.web.pages import page
from app.web.shot_lookup import engine_of
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, standard_table

MOST_BYTES = 20_000_000
pages = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Uploaded:
    """What the form holds: the file's name and bytes, and the other fields."""

    name: str
    content: bytes
    player: str
    table: str


async def uploaded(request: Request) -> Uploaded:
    """A form with a file, as browsers send it. Raises HTTPException for what is none, or too large."""
    kind = request.headers.get("content-type", "")
    if not kind.startswith("multipart/form-data"):
        raise HTTPException(415, "This page takes the form that it shows.")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            raise HTTPException(413, f"The file is over {MOST_BYTES // 1_000_000} MB; split it, or use the command.")
    head = f"Content-Type: {kind}\r\n\r\n".encode("latin-1", "replace")
    fields: dict[str, tuple[str, bytes]] = {}
    for part in BytesParser(policy=HTTP).parsebytes(head + bytes(body)).iter_parts():
        content = part.get_payload(decode=True)
        name = part.get_param("name", "", header="content-disposition")
        fields[str(name)] = (part.get_filename() or "", content if isinstance(content, bytes) else b"")
    if "file" not in fields:
        raise HTTPException(422, "The form holds no file; choose one.")
    told = {name: content.decode("utf-8", "replace").strip() for name, (_, content) in fields.items() if name != "file"}
    filename, content = fields["file"]
    return Uploaded(filename or "file", content, told.get("player", ""), told.get("table", ""))


@pages.get("/import")
def import_page(request: Request) -> Response:
    return _show(request)


@pages.post("/import")
def take_file(request: Request, given: Annotated[Uploaded, Depends(uploaded)]) -> Response:
    try:
        try:
            text = given.content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputError(f"{given.name}: the file of attempts is not UTF-8 text; save it as UTF-8.") from error
        table = standard_table(given.table) if given.table else None
        file = read_attempts(StringIO(text, newline=""), given.name)
        done = import_attempts(engine_of(request), file, given.name, shots={}, player=given.player or None, table=table)
    except InputError as error:
        return _show(request, wrong=str(error).splitlines(), player=given.player, table=given.table, status=422)
    return _show(request, done=done, player=given.player, table=given.table)


def _show(
    request: Request,
    *,
    done: Imported | None = None,
    wrong: list[str] | None = None,
    player: str = "",
    table: str = "",
    status: int = 200,
) -> Response:
    return page(
        "import.html",
        status=status,
        done=done,
        wrong=wrong or [],
        player=player,
        table=table,
        players=list_players(engine_of(request)),
        tables=list(STANDARD_TABLES),
        required=REQUIRED,
        optional=[name for name in COLUMNS if name not in REQUIRED],
    )
