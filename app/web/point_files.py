"""The point of a shot as files: its fit as a table, its picture, its attempts as the file that a fit reads."""

from io import StringIO

from fastapi import APIRouter, Request, Response

from app.fitting.attempts_csv import write_attempts
from app.store.log_views import list_attempts
from app.telling.fit_csv import write_fits
from app.telling.practice import Practice, attempt_rows, practise
from app.telling.rest_of_log import rest_of_log
from app.web.api import WRONG, marks_of
from app.web.shot_lookup import engine_of, shot_of
from calibration.table import STANDARD_TABLES

CSV = "text/csv; charset=utf-8"
router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]


@router.get("/shots/{shot_id}/fit.csv", tags=["fits"], response_class=Response)
def fit_table(request: Request, shot_id: int) -> Response:
    """The fit of a shot as a table, CSV: the point, the ways to aim, what to shoot next."""
    text = StringIO()
    write_fits([_practice(request, shot_id).fit.to_json()], text)
    return Response(text.getvalue(), media_type=CSV)


@router.get("/shots/{shot_id}/drawing.svg", tags=["fits"], response_class=Response)
def drawing(request: Request, shot_id: int) -> Response:
    """The picture of a shot's attempts and its point, as SVG."""
    return Response(_practice(request, shot_id).drawing(standalone=True), media_type="image/svg+xml")


@router.get("/shots/{shot_id}/attempts.csv", tags=["attempts"], response_class=Response)
def attempts_table(request: Request, shot_id: int) -> Response:
    """The attempts at a shot as the file of attempts that a fit reads, CSV."""
    found, text = shot_of(request, shot_id), StringIO()
    write_attempts(attempt_rows(list_attempts(engine_of(request), shot_name=found.shot.name), found.shot), text)
    return Response(text.getvalue(), media_type=CSV)


def _practice(request: Request, shot_id: int) -> Practice:
    engine, found = engine_of(request), shot_of(request, shot_id)
    table = found.table or STANDARD_TABLES["9ft"]
    attempts = list_attempts(engine, shot_name=found.shot.name)
    return practise(found.shot, table, attempts, marks_of(request, table), rest_of_log(engine, found.shot.name, table))
