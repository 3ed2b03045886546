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
ReadoutMs = Annotated[
    float | None,
    typer.Option(
        metavar="MS",
        help="Milliseconds that the sensor takes from the first row of the stored picture to the last (rolling "
        "shutter), below 0 if it begins with the last; times and speeds are put right by it.",
    ),
]
# Longer than any picture of a film of twenty a second takes.
MOST_READOUT_MS = 50.0
SIDES = ("left", "right", "top", "bottom")


def readout_seconds(readout_ms: float | None) -> float | None:
    """The option's value in seconds. Raises InputError when no camera takes that long."""
    if readout_ms is None:
        return None
    if not abs(readout_ms) <= MOST_READOUT_MS:
        raise InputError(
            f"--readout-ms is {readout_ms:g}; give the milliseconds from the first row of the stored picture to the "
            f"last, such as 20, no more than {MOST_READOUT_MS:g}."
        )
    return readout_ms / 1000


def check_head(head: str | None) -> None:
    if head is not None and head not in SIDES:
        raise InputError(
            f"--head is {head!r}; use one of {', '.join(SIDES)}, the side of the picture with the head rail."
        )
