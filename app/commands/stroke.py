"""``railpoint stroke``: how steadily lines are delivered, and how many ought to be made with that."""

import json
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.days import day_option
from app.commands.terminal import check_apart, check_writable, grid, say, waiting, write_text
from app.room.from_log import marks_by_shot
from app.room.marks import parse_mark
from app.room.room_file import load_room
from app.settings import load_settings
from app.store.database import opened
from app.stroke.from_log import StrokeQuestion, strokes_of_log
from app.stroke.stroke_json import stroke_json
from app.telling.stroke_drawing import draw_strokes
from app.telling.stroke_tables import stroke_figures, write_stroke
from app.telling.stroke_words import stroke_words
from calibration.errors import InputError


def stroke(
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
    player: Annotated[str | None, typer.Option(help="Only this player.")] = None,
    aimed: Annotated[
        str | None,
        typer.Option(help='What was aimed at: "point", a mark\'s name, or a place such as "sight left 3.5".'),
    ] = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=PLACE", help="A mark to name: NAME=x,y in metres. May be given again."),
    ] = None,
    since: Annotated[str | None, typer.Option(help="From this day on, such as 2026-03-01.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to this day, the day included.")] = None,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write the figures to this file as a table.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the figures to this file.")] = None,
    svg_out: Annotated[Path | None, typer.Option("--svg", help="Write the picture of the lines to this file.")] = None,
) -> None:
    """Tell how steadily lines are delivered. Beside it, how many tries ought to be made with that."""
    check_apart((), {"--csv": csv_out, "--json": json_out, "--svg": svg_out})
    for path in (csv_out, json_out, svg_out):
        check_writable(path)
    asked = StrokeQuestion(shot, player, day_option("--since", since), day_option("--until", until), aimed)
    settings = load_settings()
    room = load_room(settings.room_file, settings.marks_file).with_marks(parse_mark(text) for text in mark or [])
    with opened(settings, make=False) as engine, waiting("Measuring"):
        answer = strokes_of_log(engine, asked, marks_by_shot(engine, room, shot))
    if not answer.strokes:
        raise InputError("the log has no tries for that; read a clip with 'railpoint read', or ask for less.")
    for one in answer.strokes:
        say(f"{one.shot.name}{f', {one.player}' if one.player else ''}:")
        say(*(f"  {sentence}" for sentence in stroke_words(one)))
    for figures in stroke_figures(answer):
        say("", f"{figures.heading}. {figures.note}")
        grid(figures.columns, figures.rows)
    if csv_out is not None:
        text = StringIO()
        write_stroke(answer, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(stroke_json(answer), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_strokes(answer, standalone=True))
