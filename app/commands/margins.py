"""``railpoint margins``: how far the line of a shot may stray, from starts over the table."""

import json
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import check_apart, check_writable, grid, say, write_text
from app.margins.over_table import margin_table, parse_place
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot
from app.telling.margins_drawing import draw_margins
from app.telling.margins_words import margin_figures, margin_words, write_margins
from app.telling.shot_words import describe_shot
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table, standard_table
from vision.shot import Shot, load_shot

DEFAULT_TABLE = "9ft"


def margins(
    shot: Annotated[str | None, typer.Option(help="The log's shot of this name.")] = None,
    source: Annotated[Path | None, typer.Option("--from", help="A shot file in place of a shot of the log.")] = None,
    table: Annotated[
        str | None, typer.Option(help="Standard table; without it the log's own, or 9ft for a file.")
    ] = None,
    start: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SIGHTS",
            help="A start in sights along and across from the target's corner: 6,1. May be given again.",
        ),
    ] = None,
    every: Annotated[float, typer.Option(help="Without --start: starts over the table, so many sights apart.")] = 1.0,
    cue: Annotated[str | None, typer.Option(help="Of a bank: where the cue ball lies, in sights, such as 7,2.")] = None,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write the margins to this file as a table.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the margins to this file.")] = None,
    svg_out: Annotated[
        Path | None, typer.Option("--svg", help="Write the picture of the margins to this file.")
    ] = None,
) -> None:
    """Tell how far the line of a shot may stray. To the left and the right, and still make it; and the best aim."""
    check_apart((source,), {"--csv": csv_out, "--json": json_out, "--svg": svg_out})
    for path in (csv_out, json_out, svg_out):
        check_writable(path)
    drilled, on = _which(shot, source, None if table is None else standard_table(table))
    found = margin_table(
        drilled,
        on,
        starts=None if start is None else [parse_place(text, "--start") for text in start],
        every_sights=every,
        cue=None if cue is None else parse_place(cue, "--cue"),
    )
    say(f"Margins: {drilled.name}.", f"{describe_shot(drilled).capitalize()}; {on.name} table.", "")
    say(*margin_words(found))
    for figures in margin_figures(found):
        say("", f"{figures.heading}. {figures.note}")
        grid(figures.columns, figures.rows)
    if csv_out is not None:
        text = StringIO()
        write_margins(found, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(found.to_json(), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_margins(found, standalone=True))


def _which(name: str | None, source: Path | None, stated: Table | None) -> tuple[Shot, Table]:
    if (name is None) == (source is None):
        raise InputError("name one shot: --shot NAME for one of the log, or --from SHOT.toml for a shot file.")
    if source is not None:
        return load_shot(source), stated or STANDARD_TABLES[DEFAULT_TABLE]
    with opened(load_settings(), make=False) as engine:
        found = find_shot(engine, name or "")
    return found.shot, stated or found.table or STANDARD_TABLES[DEFAULT_TABLE]
