"""The web application: the JSON interface and the pages on one log."""

from fastapi import FastAPI
from sqlalchemy import Engine

from app.settings import Settings
from app.version import program_version
from app.web import (
    api,
    cards,
    entries_api,
    entries_form,
    errors,
    import_form,
    margins,
    marks,
    next_api,
    pages,
    point_files,
    rates_query,
    stroke_pages,
)
from app.web.guard import Guard


def create_app(engine: Engine, settings: Settings) -> FastAPI:
    app = FastAPI(
        title="Railpoint",
        version=program_version(),
        description="Sessions, attempts, shots and fits of the log. Metres, seconds, degrees; null is 'not measured'.",
        openapi_url="/api/openapi.json",
        # The framework's own pages load scripts from elsewhere; ours, /interface, does not.
        docs_url=None,
        redoc_url=None,
    )
    app.state.engine = engine
    app.state.room_file, app.state.marks_file = settings.room_file, settings.marks_file
    app.include_router(api.router)
    app.include_router(rates_query.router)
    app.include_router(cards.interface)
    app.include_router(cards.pages)
    app.include_router(margins.router)
    app.include_router(margins.pages)
    app.include_router(stroke_pages.router)
    app.include_router(stroke_pages.page_router)
    app.include_router(marks.router)
    app.include_router(marks.pages)
    app.include_router(entries_api.router)
    app.include_router(entries_form.pages)
    app.include_router(next_api.router)
    app.include_router(point_files.router)
    app.include_router(import_form.pages)
    app.include_router(pages.router)
    pages.mount_static(app)
    errors.install(app, pages.error_page)
    app.add_middleware(Guard, hosts=settings.hosts, show_page=pages.error_page)
    return app
