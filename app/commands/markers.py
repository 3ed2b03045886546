"""``railpoint markers``: sheets to print and the file of their places; and the camera found by them in a clip."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app.commands.terminal import say, waiting, write_text
from calibration.errors import InputError
from calibration.marker_file import SIZE_M, default_places, load_markers, marker_template
from calibration.table import standard_table

if TYPE_CHECKING:
    from vision.marked import MarkedClip

SHEETS, PLACES = "markers.pdf", "markers.toml"


def markers(
    to: Annotated[Path, typer.Option(help="Folder for the sheets, markers.pdf, and their places, markers.toml.")],
    table: Annotated[str, typer.Option(help="The table they are for, such as 9ft.")] = "9ft",
    count: Annotated[int, typer.Option(help="How many markers, 4 to 10.")] = 6,
    size_mm: Annotated[float, typer.Option(help="Side of the black square in millimetres.")] = 1000 * SIZE_M,
    paper: Annotated[str, typer.Option(help="Paper to print on: a4 or letter.")] = "a4",
) -> None:
    """Write sheets of markers to print. Beside them goes the file that says where they are to lie."""
    from app.telling.marker_sheet import marker_sheets

    known = standard_table(table)
    places = default_places(known, count)
    sheets = marker_sheets(places, size_mm / 1000, table_name=known.name, paper=paper.lower())
    file = to / PLACES
    if file.exists():
        raise InputError(f"{file}: this file of places is there already; move it, or name another folder.")
    try:
        to.mkdir(parents=True, exist_ok=True)
        (to / SHEETS).write_bytes(sheets)
    except OSError as error:
        raise InputError(f"{to}: the sheets cannot be written there ({error.strerror}).") from error
    write_text(file, marker_template(known, places, size_mm / 1000))
    say(
        f"Sheets written to {to / SHEETS}: print them at 100 % and follow the first page.",
        f"Places written to {file}: correct them where the sheets lie elsewhere.",
        f"Then film the table for some seconds, and: railpoint setup FILM --markers {file} --camera camera.json",
    )


def find_by_markers(clip: Path, file: Path, table: str, head: str | None, corners: str | None) -> "MarkedClip":
    """The camera of a clip by markers whose places stand in a file. Raises InputError."""
    from vision.marked import setup_by_markers

    if corners is not None:
        raise InputError("--corners and --markers are two ways to find the camera; give one of them.")
    layout = load_markers(file, table)
    with waiting("Looking for the markers"):
        return setup_by_markers(clip, layout, head=head)
