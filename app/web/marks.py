"""The room's marks for a shot: a page, and endpoints that answer with JSON, CSV and the picture."""

from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response

from app.margins.over_table import LEAST_STEP_SIGHTS, MOST_STEP_SIGHTS
from app.room.from_log import MarksAnswer, marks_of_all, marks_of_log
from app.room.marks import parse_mark
from app.store.log_views import list_shots
from app.telling.marks_csv import write_marks
from app.telling.marks_drawing import draw_marks
from app.telling.marks_words import (
    by_shot_table,
    caution,
    mark_detail,
    mark_table,
    marks_sentences,
    scale_tables,
    start_tables,
)
from app.web.api import WRONG, room_of
from app.web.pages import page
from app.web.shot_lookup import engine_of, shot_of
from calibration.errors import InputError

router = APIRouter(prefix="/api", responses=WRONG, tags=["marks"])  # type: ignore[arg-type]
pages = APIRouter(include_in_schema=False)

MOST_ASKED = 20


def asked_for(
    request: Request,
    shot_id: int,
    mark: Annotated[
        list[str] | None,
        Query(description="One more mark: NAME=x,y in metres, or a sight; may be given again.", max_length=MOST_ASKED),
    ] = None,
    every: Annotated[
        float, Query(ge=LEAST_STEP_SIGHTS, le=MOST_STEP_SIGHTS, description="Starts and sights so many sights apart.")
    ] = 1.0,
) -> MarksAnswer:
    room = room_of(request).with_marks(parse_mark(text[:200]) for text in mark or [])
    return marks_of_log(engine_of(request), shot_of(request, shot_id), room, every_sights=every)


Asked = Annotated[MarksAnswer, Depends(asked_for)]


@router.get("/marks")
def all_marks(request: Request) -> list[dict[str, Any]]:
    """The marks of the room judged for every shot that has a fit."""
    answers, _ = marks_of_all(engine_of(request), room_of(request))
    return [answer.to_json() for answer in answers]


@router.get("/marks.csv", response_class=Response)
def all_marks_table(request: Request) -> Response:
    """The same as a table, CSV, marks on the walls among them."""
    answers, _ = marks_of_all(engine_of(request), room_of(request))
    text = StringIO()
    write_marks(answers, text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.get("/shots/{shot_id}/marks")
def marks(asked: Asked) -> dict[str, Any]:
    """What aiming at each mark of the room costs at a shot, from where it is good enough, and marks on the walls."""
    return asked.to_json()


@router.get("/shots/{shot_id}/marks.csv", response_class=Response)
def marks_table(asked: Asked) -> Response:
    """The marks judged as a table, CSV."""
    text = StringIO()
    write_marks([asked], text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.get("/shots/{shot_id}/marks.svg", response_class=Response)
def marks_drawing(
    asked: Asked,
    show: Annotated[str | None, Query(description="The mark to draw over the table.", max_length=60)] = None,
) -> Response:
    """The room as a picture, SVG."""
    if show is not None and show not in [judged.aim.name for judged in asked.judged]:
        raise HTTPException(404, f"There is no mark {show!r}.")
    return Response(draw_marks(asked, mark=show, standalone=True), media_type="image/svg+xml")


@pages.get("/marks")
def all_marks_page(request: Request) -> Response:
    answers, refused = marks_of_all(engine_of(request), room_of(request))
    return page(
        "all_marks.html",
        caution=caution(),
        table=by_shot_table(answers),
        refused=[f"{why[0].upper()}{why[1:]}" for _, why in refused],
        shots=[shot for shot in list_shots(engine_of(request)) if shot.attempts],
    )


@pages.get("/shots/{shot_id}/marks")
def marks_page(request: Request, shot_id: int) -> Response:
    found = shot_of(request, shot_id)
    try:
        asked = asked_for(request, shot_id)
    except InputError as error:
        why = str(error)
        return page("marks.html", found=found, why=why[:1].upper() + why[1:], caution=caution())
    return page(
        "marks.html",
        found=found,
        why="",
        caution=caution(),
        sentences=marks_sentences(asked),
        figures=(mark_table(asked), *scale_tables(asked), *start_tables(asked)),
        svg=draw_marks(asked),
        details=[(one.aim.name, draw_marks(asked, mark=one.aim.name), mark_detail(asked, one)) for one in asked.judged],
        room_file=request.app.state.room_file,
    )
