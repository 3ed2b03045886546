"""The margins of a shot: a page, and endpoints that answer with JSON, CSV and the picture."""

from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response

from app.margins.over_table import LEAST_STEP_SIGHTS, MOST_STEP_SIGHTS, MarginTable, margin_table, parse_place
from app.telling.margins_drawing import draw_margins
from app.telling.margins_words import margin_figures, margin_words, write_margins
from app.web.api import WRONG
from app.web.pages import page
from app.web.shot_lookup import shot_of
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES

router = APIRouter(prefix="/api", responses=WRONG, tags=["margins"])  # type: ignore[arg-type]
pages = APIRouter(include_in_schema=False)

STEPS = [("0.5", "half a sight"), ("1", "1 sight"), ("2", "2 sights")]


def asked_for(
    request: Request,
    shot_id: int,
    every: Annotated[
        float,
        Query(ge=LEAST_STEP_SIGHTS, le=MOST_STEP_SIGHTS, description="Starts over the table, so many sights apart."),
    ] = 1.0,
    start: Annotated[
        list[str] | None, Query(description="Starts in their place, in sights along and across: 6,1.", max_length=200)
    ] = None,
    cue: Annotated[
        str | None, Query(description="Of a bank: where the cue ball lies, in sights.", max_length=40)
    ] = None,
) -> MarginTable:
    found = shot_of(request, shot_id)
    return margin_table(
        found.shot,
        found.table or STANDARD_TABLES["9ft"],
        starts=[parse_place(text) for text in start] if start else None,
        every_sights=every,
        cue=parse_place(cue, "the cue ball's place") if cue else None,
    )


Asked = Annotated[MarginTable, Depends(asked_for)]


@router.get("/shots/{shot_id}/margins")
def margins(asked: Asked) -> dict[str, Any]:
    """How far the line of a shot may stray to either side, and the best aim, from starts over the table."""
    return asked.to_json()


@router.get("/shots/{shot_id}/margins.csv", response_class=Response)
def margins_table(asked: Asked) -> Response:
    """The same as a table, CSV."""
    text = StringIO()
    write_margins(asked, text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.get("/shots/{shot_id}/margins.svg", response_class=Response)
def margins_drawing(asked: Asked) -> Response:
    """The same as a picture, SVG."""
    return Response(draw_margins(asked, standalone=True), media_type="image/svg+xml")


@pages.get("/shots/{shot_id}/margins")
def margins_page(request: Request, shot_id: int, every: str = "1", cue: str = "") -> Response:
    found = shot_of(request, shot_id)
    step = every if every in dict(STEPS) else "1"
    asked, why = None, ""
    try:
        asked = asked_for(request, shot_id, float(step), None, cue[:40].strip())
    except InputError as error:
        why = str(error)
    return page(
        "margins.html",
        found=found,
        steps=STEPS,
        every=step,
        cue=cue[:40],
        why=why[:1].upper() + why[1:],
        sentences=margin_words(asked) if asked else [],
        figures=margin_figures(asked) if asked else (),
        svg=draw_margins(asked) if asked else "",
        both=asked is not None and len(asked.ways) > 1,
        query=f"every={step}" + (f"&cue={cue[:40].strip()}" if cue.strip() else ""),
    )
