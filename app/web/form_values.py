"""What the form for entries by hand needs, on the page of a shot and on that of its entries."""

from typing import Any

from sqlalchemy import Engine

from app.entry.lines import DEFAULT_TABLE
from app.entry.vocabulary import EXAMPLE, words_table
from app.store.log_views import list_players
from app.store.logged import LoggedShot
from app.telling.words import counting_corner
from calibration.table import STANDARD_TABLES


def form_values(engine: Engine, found: LoggedShot) -> dict[str, Any]:
    own = found.table or DEFAULT_TABLE
    return {
        "example": EXAMPLE,
        "words": words_table(),
        "corner": counting_corner(found.shot, own),
        "tables": list(dict.fromkeys([own.name, *STANDARD_TABLES])),
        "players": list_players(engine),
    }
