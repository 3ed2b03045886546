"""A shot of the log by the number in an address, for the pages and endpoints that are about one shot."""

from typing import cast

from fastapi import HTTPException, Request
from sqlalchemy import Engine

from app.store.log_views import list_shots
from app.store.logged import LoggedShot


def engine_of(request: Request) -> Engine:
    return cast(Engine, request.app.state.engine)


def shot_of(request: Request, shot_id: int) -> LoggedShot:
    """Raises HTTPException 404 when there is no such shot."""
    found = next((shot for shot in list_shots(engine_of(request)) if shot.id == shot_id), None)
    if found is None:
        raise HTTPException(404, f"There is no shot {shot_id}.")
    return found
