"""What to shoot next, over the JSON interface."""

from dataclasses import dataclass
from io import StringIO
from math import nan
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response

from app.entry.lines import DEFAULT_TABLE
from app.next_shot.from_rows import plan_next
from app.next_shot.plan import Plan
from app.store.log_views import list_attempts
from app.telling.next_words import tell_plan, write_next
from app.telling.practice import practise
from app.telling.rest_of_log import rest_of_log
from app.web.api import WRONG
from app.web.shot_lookup import engine_of, shot_of
from calibration.table import Table
from vision.shot import Shot

router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Planned:
    plan: Plan
    shot: Shot
    table: Table


def planned(
    request: Request,
    shot_id: int,
    count: Annotated[int, Query(ge=1, le=30, description="How many attempts to plan.")] = 3,
    until_cm: Annotated[
        float | None, Query(gt=0, le=1000, description="How many it takes until the ellipse reaches no farther.")
    ] = None,
) -> Planned:
    engine = engine_of(request)
    found = shot_of(request, shot_id)
    table = found.table or DEFAULT_TABLE
    attempts = list_attempts(engine, shot_name=found.shot.name)
    practice = practise(found.shot, table, attempts, None, rest_of_log(engine, found.shot.name, table))
    wanted_m = nan if until_cm is None else until_cm / 100
    plan = plan_next(practice.fit, practice.rows, table, found.shot, count=count, wanted_m=wanted_m)
    return Planned(plan, found.shot, table)


Asked = Annotated[Planned, Depends(planned)]


@router.get("/shots/{shot_id}/next", tags=["fits"])
def shoot_next(asked: Asked) -> dict[str, Any]:
    """From where to shoot next to learn most of the point, and how many more attempts it takes."""
    return asked.plan.to_json() | {"words": tell_plan(asked.plan, asked.shot, asked.table)}


@router.get("/shots/{shot_id}/next.csv", tags=["fits"], response_class=Response)
def next_table(asked: Asked) -> Response:
    """The next attempts as a table, CSV."""
    text = StringIO()
    write_next(asked.plan, asked.shot, asked.table, text)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")
