"""``railpoint rates``: how often shots are made, from where, by whom, and when."""

import json
from enum import StrEnum
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.days import day_option
from app.commands.terminal import check_apart, check_writable, grid, say, waiting, write_text
from app.rates.from_log import Question, rates_of_log
from app.settings import load_settings
from app.store.database import opened
from app.telling.rates_drawing import draw_rates
from app.telling.rates_words import leaning, rate_figures, rate_words, unlike_expected, write_rates


class By(StrEnum):
    """What the cells part."""

    along = "along"
    across = "across"
    table = "table"


class Tries(StrEnum):
    all = "all"
    first = "first"
    repeat = "repeat"


def rates(
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
    player: Annotated[str | None, typer.Option(help="Only this player.")] = None,
    since: Annotated[str | None, typer.Option(help="From this day on, such as 2026-03-01.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to this day, the day included.")] = None,
    tries: Annotated[Tries, typer.Option(help="All tries, first ones, or repeats.")] = Tries.all,
    by: Annotated[By, typer.Option(help="Cells along the long rails, across the table, or over it.")] = By.along,
    cell: Annotated[float, typer.Option(help="Size of a cell in sights.")] = 1.0,
    against: Annotated[str | None, typer.Option(help="Compare --player with this one.")] = None,
    before: Annotated[str | None, typer.Option(help="Compare the tries from this day on with those before.")] = None,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write the rates to this file as a table.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the rates to this file.")] = None,
    svg_out: Annotated[Path | None, typer.Option("--svg", help="Write the picture of the cells to this file.")] = None,
) -> None:
    """Tell how often shots are made. By place, first tries apart from repeats, banks by their cut."""
    check_apart((), {"--csv": csv_out, "--json": json_out, "--svg": svg_out})
    for path in (csv_out, json_out, svg_out):
        check_writable(path)
    asked = Question(
        shot=shot,
        player=player,
        since=day_option("--since", since),
        until=day_option("--until", until),
        tries=tries.value,
        by=by.value,
        cell_sights=cell,
        against=against,
        before=day_option("--before", before),
    )
    with opened(load_settings(), make=False) as engine, waiting("Counting"):
        answer = rates_of_log(engine, asked)
    unlike = unlike_expected(answer.rates)
    say(f"{shot or 'All shots'}: {rate_words(answer.rates.overall)}.", *unlike)
    if unlike:
        say("'railpoint stroke' takes apart what it is: aim, stroke, speed and english, the table.")
    say(*leaning(answer.rates))
    for figures in rate_figures(answer):
        say("", f"{figures.heading}. {figures.note}")
        grid(figures.columns, figures.rows)
    if csv_out is not None:
        text = StringIO()
        write_rates(answer, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(answer.to_json(), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_rates(answer, standalone=True))
