"""A place on the table as a person would put a ball there."""

from calibration.table import Corner, Table, Vector


def place_words(place_m: Vector, corner: Corner, table: Table) -> str:
    """``5.5 sights along and 1.75 across``, to the quarter of a sight as a ball is put down."""
    end, side = corner.split("-")
    along = table.diamonds_along(place_m, side, corner)  # type: ignore[arg-type]
    across = table.diamonds_along(place_m, end, corner)  # type: ignore[arg-type]
    return f"{round(4 * along) / 4:g} sights along and {round(4 * across) / 4:g} across"
