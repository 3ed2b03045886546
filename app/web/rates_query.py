"""What a page or a program asks of the make-rates, and the endpoints that answer with JSON, CSV and the picture."""

from datetime import date
from io import StringIO
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import BeforeValidator, Field

from app.rates.from_log import Question, rates_of_log
from app.rates.make_rates import LEAST_CELL_SIGHTS, MOST_CELL_SIGHTS
from app.telling.rates_drawing import draw_rates
from app.telling.rates_words import write_rates
from app.web.api import WRONG
from app.web.shot_lookup import engine_of

router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]

# A form sends what was left blank as an empty text.
blank_is_none = BeforeValidator(lambda value: None if value == "" else value)
Name = Annotated[Annotated[str, Field(max_length=200)] | None, blank_is_none]
Day = Annotated[date | None, blank_is_none]


def question(
    shot: Annotated[Name, Query(description="Only the shot of this name.")] = None,
    player: Annotated[Name, Query(description="Only this player.")] = None,
    since: Annotated[Day, Query(description="From this day on.")] = None,
    until: Annotated[Day, Query(description="Up to this day, the day included.")] = None,
    tries: Annotated[
        Literal["all", "first", "repeat"], Query(description="All tries, first ones, or repeats.")
    ] = "all",
    by: Annotated[
        Literal["along", "across", "table"], Query(description="Cells along the long rails, across, or over the table.")
    ] = "along",
    cell: Annotated[
        float, Query(ge=LEAST_CELL_SIGHTS, le=MOST_CELL_SIGHTS, description="Size of a cell in sights.")
    ] = 1.0,
    against: Annotated[Name, Query(description="Compare the player with this one.")] = None,
    before: Annotated[Day, Query(description="Compare the tries from this day on with those before.")] = None,
) -> Question:
    return Question(shot, player, since, until, tries, by, cell, against, before)


@router.get("/rates", tags=["rates"])
def rates(request: Request, asked: Annotated[Question, Depends(question)]) -> dict[str, Any]:
    """How often shots are made: by place, first tries apart from repeats, banks by their cut."""
    return rates_of_log(engine_of(request), asked).to_json()


@router.get("/rates.csv", tags=["rates"], response_class=Response)
def rates_table(request: Request, asked: Annotated[Question, Depends(question)]) -> Response:
    """The same rates as a table, CSV, the expected ones beside those observed."""
    text = StringIO()
    write_rates(rates_of_log(engine_of(request), asked), text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


@router.get("/rates.svg", tags=["rates"], response_class=Response)
def rates_picture(request: Request, asked: Annotated[Question, Depends(question)]) -> Response:
    """The rates by place as a picture, SVG."""
    return Response(draw_rates(rates_of_log(engine_of(request), asked), standalone=True), media_type="image/svg+xml")
