"""Options that several commands share: the table's size, its head rail, its corners, markers on it."""

from pathlib import Path
from typing import Annotated

import typer

from app.commands import corners as corners_option
from calibration.errors import InputError

TableName = Annotated[str, typer.Option(help="Table size: auto, or the name of a standard table such as 9ft.")]
HeadSide = Annotated[str | None, typer.Option(help="Side of the upright picture where the head rail lies.")]
Corners = Annotated[str | None, typer.Option(help=corners_option.HELP)]
Markers = Annotated[
    Path | None,
    typer.Option(help="Find the camera by printed markers that lie on the table; the file says where they lie."),
]
SIDES = ("left", "right", "top", "bottom")


def check_head(head: str | None) -> None:
    if head is not None and head not in SIDES:
        raise InputError(
            f"--head is {head!r}; use one of {', '.join(SIDES)}, the side of the picture with the head rail."
        )
