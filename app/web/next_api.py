"""What to shoot next, over the JSON interface."""

from math import nan
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request

from app.entry.lines import DEFAULT_TABLE
from app.next_shot.from_rows import plan_next
from app.store.log_views import list_attempts
from app.telling.next_words import tell_plan
from app.telling.practice import practise
from app.telling.rest_of_log import rest_of_log
from app.web.api import WRONG
from app.web.shot_lookup import engine_of, shot_of

router = APIRouter(prefix="/api", responses=WRONG)  # type: ignore[arg-type]


@router.get("/shots/{shot_id}/next", tags=["fits"])
def shoot_next(
    request: Request,
    shot_id: int,
    count: Annotated[int, Query(ge=1, le=30, description="How many attempts to plan.")] = 3,
    until_cm: Annotated[
        float | None, Query(gt=0, le=1000, description="How many it takes until the ellipse reaches no farther.")
    ] = None,
) -> dict[str, Any]:
    """From where to shoot next to learn most of the point, and how many more attempts it takes."""
    engine = engine_of(request)
    found = shot_of(request, shot_id)
    table = found.table or DEFAULT_TABLE
    attempts = list_attempts(engine, shot_name=found.shot.name)
    practice = practise(found.shot, table, attempts, None, rest_of_log(engine, found.shot.name, table))
    wanted_m = nan if until_cm is None else until_cm / 100
    plan = plan_next(practice.fit, practice.rows, table, found.shot, count=count, wanted_m=wanted_m)
    return plan.to_json() | {"words": tell_plan(plan, found.shot, table)}
