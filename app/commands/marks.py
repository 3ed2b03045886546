"""``railpoint marks``: what aiming at the room's marks costs, from where, and marks on a wall in place of the point."""

import json
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import check_apart, check_writable, grid, say, waiting, write_text
from app.room.from_log import marks_of_log
from app.room.marks import parse_mark
from app.room.room_file import load_room
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot
from app.telling.marks_drawing import draw_marks
from app.telling.marks_words import (
    caution,
    mark_detail,
    mark_table,
    marks_sentences,
    scale_tables,
    start_tables,
    write_marks,
)
from calibration.errors import InputError
from calibration.table import standard_table


def marks(
    shot: Annotated[str, typer.Option(help="The shot of this name.")],
    mark: Annotated[
        list[str] | None,
        typer.Option(help="One more mark: NAME=x,y in metres, or NAME=sight 3 of the left rail from foot-left."),
    ] = None,
    room: Annotated[Path | None, typer.Option(help="The room's file; without it room.toml in the data folder.")] = None,
    every: Annotated[float, typer.Option(help="Starts and sights so many sights apart.")] = 1.0,
    table: Annotated[str | None, typer.Option(help="Standard table; without it the log's own.")] = None,
    show: Annotated[
        str | None, typer.Option(help="Tell more of this mark, and draw from where it is good enough.")
    ] = None,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write all of it to this file as a table.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write all of it to this file.")] = None,
    svg_out: Annotated[Path | None, typer.Option("--svg", help="Write the picture of the room to this file.")] = None,
) -> None:
    """Tell what aiming at each mark of the room costs, and the marks on a wall that replace a point beyond it."""
    check_apart((room,), {"--csv": csv_out, "--json": json_out, "--svg": svg_out})
    for path in (csv_out, json_out, svg_out):
        check_writable(path)
    settings = load_settings()
    if room is not None and not room.is_file():
        raise InputError(f"{room}: there is no such file of the room.")
    stated = load_room(room) if room is not None else load_room(settings.room_file, settings.marks_file)
    stated = stated.with_marks(parse_mark(text) for text in mark or [])
    on = None if table is None else standard_table(table)
    with opened(settings, make=False) as engine, waiting("Fitting"):
        answer = marks_of_log(engine, find_shot(engine, shot), stated, table=on, every_sights=every)
    names = [judged.aim.name for judged in answer.judged]
    if show is not None and show not in names:
        raise InputError(f"--show: there is no mark {show!r}; there is {', '.join(names) or 'none'}.")
    say(f"Marks: {shot}.", *marks_sentences(answer))
    tables = start_tables(answer) if show is None else (mark_detail(answer, answer.judged[names.index(show)]),)
    for figures in (mark_table(answer), *tables, *scale_tables(answer)):
        if figures.rows:
            say("", f"{figures.heading}. {figures.note}".rstrip())
            grid(figures.columns, figures.rows)
    say("", caution())
    if csv_out is not None:
        text = StringIO()
        write_marks(answer, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(answer.to_json(), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_marks(answer, mark=show, standalone=True))
