"""The aim card of a shot: its page, and the endpoints that give it as JSON, CSV, a picture and a page to print."""

from io import StringIO
from math import radians
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response
from pydantic import BeforeValidator

from app.card.aim_card import AimCard
from app.card.from_log import Answer, card_of_log, parse_part
from app.card.lines_over_rails import OPPOSITE
from app.telling.aim_card_drawing import draw_card
from app.telling.aim_card_sheet import card_sheet
from app.telling.aim_card_words import card_figures, tell_card, tell_how, tell_no_card, write_card
from app.web.api import WRONG
from app.web.pages import page
from app.web.shot_lookup import engine_of, shot_of
from calibration.table import RAILS, Rail

interface = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]
pages = APIRouter(include_in_schema=False)

# A form sends what was left to the program as an empty text.
NearRail = Annotated[Literal["head", "foot", "left", "right"] | None, BeforeValidator(lambda value: value or None)]


def answer(
    request: Request,
    shot_id: int,
    split: Annotated[
        list[str] | None,
        Query(
            max_length=5,
            description="Only attempts of one english, speed, player, day or session, such as speed=medium.",
        ),
    ] = None,
    near: Annotated[
        NearRail, Query(description="The near rail; the one that most lines come over if left out.")
    ] = None,
    spread_deg: Annotated[
        float | None,
        BeforeValidator(lambda value: value or None),
        Query(description="Tell the chances of a stroke whose lines spread by this, degrees (sd)."),
    ] = None,
) -> Answer:
    return card_of_log(
        engine_of(request),
        shot_of(request, shot_id),
        parts=[parse_part(text) for text in split or []],
        near=near,
        spread_rad=None if spread_deg is None else radians(spread_deg),
    )


Asked = Annotated[Answer, Depends(answer)]


@interface.get("/shots/{shot_id}/card", tags=["cards"])
def card(asked: Asked) -> dict[str, Any]:
    """The aim card of a shot: lines from near sight to far sight, for which starts, the point by tape."""
    return asked.card.to_json()


@interface.get("/shots/{shot_id}/card.csv", tags=["cards"], response_class=Response)
def card_csv(asked: Asked) -> Response:
    """The lines of an aim card as CSV."""
    text = StringIO()
    write_card(_made(asked), text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8", headers=_named(asked, "csv"))


@interface.get("/shots/{shot_id}/card.svg", tags=["cards"], response_class=Response)
def card_svg(asked: Asked) -> Response:
    """The picture of an aim card, as SVG."""
    return Response(draw_card(_made(asked), asked.practice.point, standalone=True), media_type="image/svg+xml")


@interface.get("/shots/{shot_id}/card.pdf", tags=["cards"], response_class=Response)
def card_pdf(
    asked: Asked, paper: Annotated[Literal["a4", "letter"], Query(description="The paper to print on.")] = "a4"
) -> Response:
    """An aim card as a page to print."""
    sheet = card_sheet(_made(asked), asked.practice.point, part=asked.part, notes=asked.notes, paper=paper)
    return Response(sheet, media_type="application/pdf", headers=_named(asked, "pdf"))


@pages.get("/shots/{shot_id}/card")
def card_page(request: Request, shot_id: int, asked: Asked) -> Response:
    made, point = asked.card, asked.practice.point
    first: Rail = made.shot.rails[0]
    asked_for = request.url.query
    shown: dict[str, Any] = {
        "shot_id": shot_id,
        "shot": made.shot,
        "part": asked.part,
        "splits": [f"{by}={value}" for by, value in asked.parts],
        "choices": asked.choices,
        "nears": [OPPOSITE[first], *(rail for rail in RAILS if rail not in (first, OPPOSITE[first]))],
        "near": request.query_params.get("near", ""),
        "spread": request.query_params.get("spread_deg", ""),
        "notes": asked.notes,
        "query": f"?{asked_for}" if asked_for else "",
    }
    if not isinstance(made, AimCard):
        told = tell_no_card(made, point)
        return page("card.html", card=None, why=told[0].upper() + told[1:], **shown)
    figures = card_figures(made)
    states = [row.state if row.on_cushion else "no-cushion" for row in made.rows]
    return page(
        "card.html",
        card=made,
        svg=draw_card(made, point),
        parts=tell_card(made, point),
        how=tell_how(made),
        figures=figures,
        rows=list(zip(states, figures.rows, strict=True)),
        **shown,
    )


def _made(asked: Answer) -> AimCard:
    if isinstance(asked.card, AimCard):
        return asked.card
    told = tell_no_card(asked.card, asked.practice.point)
    raise HTTPException(404, told[0].upper() + told[1:])


def _named(asked: Answer, ending: str) -> dict[str, str]:
    """A name under which a browser keeps it, of plain letters."""
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in f"aim card {asked.card.shot.name}".lower())
    return {"Content-Disposition": f'inline; filename="{"-".join(part for part in plain.split("-") if part)}.{ending}"'}
