"""``railpoint marks``: what aiming at the room's marks costs, from where, and marks on a wall in place of the point."""

import json
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import check_apart, check_writable, grid, say, waiting, write_text
from app.room.from_log import marks_of_all, marks_of_log
from app.room.marks import parse_mark
from app.room.room_file import Room, load_room
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot
from app.telling.marks_csv import write_marks
from app.telling.marks_drawing import draw_marks
from app.telling.marks_words import (
    by_shot_table,
    caution,
    mark_detail,
    mark_table,
    marks_sentences,
    scale_tables,
    start_tables,
)
from calibration.errors import InputError
from calibration.table import Table, standard_table


def marks(
    shot: Annotated[
        str | None, typer.Option(help="The shot of this name; without it the marks side by side for all shots.")
    ] = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=PLACE",
            help="One more mark: NAME=x,y in metres, or NAME=sight 3 of the left rail from foot-left.",
        ),
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
    """Tell what aiming at each mark of the room costs. And which marks on a wall replace a point beyond it."""
    check_apart((room,), {"--csv": csv_out, "--json": json_out, "--svg": svg_out})
    for path in (csv_out, json_out, svg_out):
        check_writable(path)
    settings = load_settings()
    if room is not None and not room.is_file():
        raise InputError(f"{room}: there is no such file of the room.")
    stated = load_room(room) if room is not None else load_room(settings.room_file, settings.marks_file)
    stated = stated.with_marks(parse_mark(text) for text in mark or [])
    on = None if table is None else standard_table(table)
    if shot is None:
        if show is not None or svg_out is not None:
            raise InputError("--show and --svg go with one shot; name it with --shot.")
        _all_shots(stated, on, csv_out, json_out)
        return
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
        write_marks([answer], text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(answer.to_json(), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_marks(answer, mark=show, standalone=True))


def _all_shots(room: Room, table: Table | None, csv_out: Path | None, json_out: Path | None) -> None:
    with opened(load_settings(), make=False) as engine, waiting("Fitting"):
        answers, refused = marks_of_all(engine, room, table=table)
    if not answers and not refused:
        raise InputError("the log is empty; read a clip with 'railpoint read' first.")
    figures = by_shot_table(answers)
    if figures.rows:
        say(f"{figures.heading}. {figures.note}")
        grid(figures.columns, figures.rows)
    say(*(f"{why[0].upper()}{why[1:]}" for _, why in refused))
    say("", caution())
    if csv_out is not None:
        text = StringIO()
        write_marks(answers, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        told = [answer.to_json() for answer in answers]
        write_text(json_out, json.dumps(told, indent=1, allow_nan=False) + "\n")
