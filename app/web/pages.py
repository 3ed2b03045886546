"""The pages: sessions, one session, one shot, the camera, the interface. All that they need comes with them."""

import re
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, FastAPI, HTTPException, Query, Request, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from app.rates.from_log import Question, rates_of_log
from app.store import log_views
from app.telling.entries_list import origin_of
from app.telling.mirrored import practise_mirrored
from app.telling.practice import Practice, practise, practise_apart
from app.telling.rates_drawing import draw_rates
from app.telling.rates_words import leaning, rate_figures, rate_words, unlike_expected
from app.telling.rest_of_log import rest_of_log
from app.telling.shot_words import describe_shot
from app.web.api import MOST_ID, images_of, marks_of
from app.web.form_values import form_values
from app.web.rates_query import question
from app.web.shot_lookup import engine_of, shot_of
from calibration.table import STANDARD_TABLES

# A picture so tall has room beside it for more than the point: height over width.
TALL = 0.75
STATIC = Path(__file__).parent / "static"
router = APIRouter(include_in_schema=False)


def mount_static(app: FastAPI) -> None:
    app.mount("/static", StaticFiles(directory=STATIC), name="static")


@router.get("/")
def index(request: Request) -> Response:
    engine = engine_of(request)
    return page("index.html", sessions=log_views.list_sessions(engine), shots=log_views.list_shots(engine))


@router.get("/sessions/{session_id}")
def session(request: Request, session_id: int) -> Response:
    engine = engine_of(request)
    found = log_views.load_session(engine, session_id) if 0 < session_id <= MOST_ID else None
    if found is None:
        raise HTTPException(404, f"There is no session {session_id}.")
    marks = marks_of(request, found.table)
    practices = [
        practise(shot, found.table, found.of_shot(shot.name), marks, rest_of_log(engine, shot.name, found.table))
        for shot in found.shots
    ]
    return page("session.html", session=found, practices=[_drawn(p, f"shot-{k}-") for k, p in enumerate(practices)])


@router.get("/shots/{shot_id}")
def shot(
    request: Request,
    shot_id: int,
    by: Annotated[Literal["english", "speed", "player", "day", "session"] | None, Query()] = None,
    mirrored: Annotated[Literal["pool", "compare"] | None, Query()] = None,
) -> Response:
    engine = engine_of(request)
    found = shot_of(request, shot_id)
    logged = log_views.list_attempts(engine, shot_name=found.shot.name)
    table = found.table or STANDARD_TABLES["9ft"]
    marks = marks_of(request, table)
    images, others = images_of(request, found, table), rest_of_log(engine, found.shot.name, table)
    if by is not None:
        parts = practise_apart(found.shot, table, logged, by, marks, others)
    elif mirrored is not None:
        parts = {"": practise_mirrored(found.shot, table, logged, images, mirrored, marks, others)}
    else:
        parts = {"": practise(found.shot, table, logged, marks, others)}
    drawn = {value: _drawn(practice, f"attempt-{k}-") for k, (value, practice) in enumerate(parts.items())}
    names = [image.name for image in images]
    form = form_values(engine, found)
    return page("shot.html", found=found, by=by, mirrored=mirrored, images=names, parts=drawn, **form)


@router.get("/rates")
def rates(request: Request, asked: Annotated[Question, Depends(question)]) -> Response:
    engine = engine_of(request)
    answer = rates_of_log(engine, asked)
    counted = answer.rates.overall.tries + answer.rates.overall.unclear
    names = [(name, name) for name in answer.players]
    shots = log_views.list_shots(engine)
    return page(
        "rates.html",
        asked=asked,
        query=request.url.query,
        chosen=next((s for s in shots if s.shot.name == asked.shot), None),
        overall=rate_words(answer.rates.overall),
        shots=[("", "all"), *((s.shot.name, s.shot.name) for s in shots)],
        players=[("", "all"), *names],
        rivals=[("", "nobody"), *names],
        unlike=unlike_expected(answer.rates),
        leaning=leaning(answer.rates),
        figures=rate_figures(answer) if counted else (),
        svg=draw_rates(answer) if counted else "",
    )


@router.get("/camera")
def camera() -> Response:
    return page("camera.html")


@router.get("/interface")
def interface(request: Request) -> Response:
    description = request.app.openapi()
    endpoints = [
        {
            "path": path,
            "method": method.upper(),
            "summary": operation.get("description", ""),
            "parameters": [p for p in operation.get("parameters", []) if p["in"] == "query"],
        }
        for path, methods in description["paths"].items()
        for method, operation in methods.items()
    ]
    return page("interface.html", endpoints=endpoints)


def page(template: str, *, status: int = 200, **values: Any) -> Response:
    text = _templates().get_template(template).render(**values)
    return Response(text, status_code=status, media_type="text/html")


def error_page(request: Request, status: int, message: str) -> Response:
    heading = {404: "Nothing here", 403: "Not allowed", 500: "Something went wrong"}.get(status, "That cannot be done")
    return page("error.html", status=status, heading=heading, message=message[:1].upper() + message[1:])


@cache
def _templates() -> Environment:
    made = Environment(
        loader=PackageLoader("app.web"),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["day"] = _day
    made.filters["clock"] = _clock
    made.filters["origin"] = origin_of
    made.globals["describe"] = describe_shot
    return made


def _drawn(practice: Practice, anchor: str) -> dict[str, Any]:
    svg = practice.drawing(anchor=anchor)
    size = re.search(r'viewBox="\S+ \S+ (\S+) (\S+)"', svg)
    tall = size is not None and float(size[2]) > TALL * float(size[1])
    return {"is": practice, "anchor": anchor, "svg": svg, "tall": tall}


def _day(value: datetime) -> str:
    return f"{value.day} {value:%B %Y}"


def _clock(seconds: float) -> str:
    if seconds != seconds:
        return "–"
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"
