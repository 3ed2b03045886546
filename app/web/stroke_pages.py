"""The stroke: what a page or a program asks of it, the endpoints that answer, and the page."""

from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import Field

from app.room.from_log import marks_by_shot
from app.store.log_views import list_shots
from app.stroke.from_log import StrokeAnswer, StrokeQuestion, strokes_of_log
from app.stroke.stroke_json import stroke_json
from app.telling.stroke_drawing import draw_panels, draw_strokes
from app.telling.stroke_tables import place_figures, stroke_figures, write_stroke
from app.telling.stroke_words import stroke_words
from app.web.api import WRONG, room_of
from app.web.pages import page
from app.web.rates_query import Day, Name, blank_is_none
from app.web.shot_lookup import engine_of

Aimed = Annotated[Annotated[str, Field(max_length=100)] | None, blank_is_none]
router = APIRouter(prefix="/api", tags=["stroke"], responses=WRONG)  # type: ignore[arg-type]
page_router = APIRouter(include_in_schema=False)


def question(
    shot: Annotated[Name, Query(description="Only the shot of this name.")] = None,
    player: Annotated[Name, Query(description="Only this player.")] = None,
    since: Annotated[Day, Query(description="From this day on.")] = None,
    until: Annotated[Day, Query(description="Up to this day, the day included.")] = None,
    aimed: Annotated[
        Aimed, Query(description='What was aimed at: "point", the name of a mark, or such as "sight left 3.5".')
    ] = None,
) -> StrokeQuestion:
    return StrokeQuestion(shot, player, since, until, aimed)


Asked = Annotated[StrokeQuestion, Depends(question)]


@router.get("/stroke")
def stroke(request: Request, asked: Asked) -> dict[str, Any]:
    """How steadily lines are delivered, and how many tries ought to be made with that."""
    return stroke_json(_answer(request, asked))


@router.get("/stroke.csv", response_class=Response)
def stroke_table(request: Request, asked: Asked) -> Response:
    """The same figures as a table."""
    text = StringIO()
    write_stroke(_answer(request, asked), text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.get("/stroke.svg", response_class=Response)
def stroke_picture(request: Request, asked: Asked) -> Response:
    """The lines beside the best ones, by place, as SVG."""
    return Response(draw_strokes(_answer(request, asked), standalone=True), media_type="image/svg+xml")


@page_router.get("/stroke")
def stroke_page(request: Request, asked: Asked) -> Response:
    answer = _answer(request, asked)
    tables = stroke_figures(answer)
    several = len(answer.strokes) > 1
    shots = list_shots(engine_of(request))
    return page(
        "stroke.html",
        asked=asked,
        chosen=next((s for s in shots if s.shot.name == asked.shot), None),
        query=request.url.query,
        shots=[("", "all"), *((s.shot.name, s.shot.name) for s in shots)],
        players=[("", "all"), *((name, name) for name in answer.players)],
        marks=room_of(request).mark_names(),
        summary=[f for f in tables if several and f.heading in ("Strokes", "Players")],
        strokes=[
            {"name": s.shot.name, "player": s.player, "words": stroke_words(s), "svg": draw_panels([s])}
            | {"table": place_figures(s, named=False)}
            for s in answer.strokes
        ],
    )


def _answer(request: Request, asked: StrokeQuestion) -> StrokeAnswer:
    engine = engine_of(request)
    return strokes_of_log(engine, asked, marks_by_shot(engine, room_of(request), asked.shot))
