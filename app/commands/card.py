"""``railpoint card``: a shot's aim card, what a player takes to the table."""

import json
from io import StringIO
from math import radians
from pathlib import Path
from typing import Annotated, get_args

import typer

from app.card.aim_card import AimCard, NoCard
from app.card.from_log import Answer, card_of_log, parse_part
from app.commands.terminal import check_apart, check_writable, grid, say, waiting, write_bytes, write_text
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot
from app.telling.aim_card_drawing import draw_card
from app.telling.aim_card_words import card_figures, tell_card, tell_how, tell_no_card, write_card
from app.telling.shot_words import describe_shot
from calibration.errors import InputError
from calibration.table import RAILS, Rail, standard_table


def card(
    shot: Annotated[str, typer.Option(help="The shot of this name.")],
    split: Annotated[
        list[str] | None,
        typer.Option(
            metavar="WHAT=VALUE",
            help="Only attempts of one english, speed, player, day or session: speed=medium. May be given again.",
        ),
    ] = None,
    near: Annotated[
        str | None, typer.Option(help="The near rail; without it the one that most lines come over.")
    ] = None,
    spread_deg: Annotated[
        float | None, typer.Option(help="Tell the chances of a stroke whose lines spread by this, degrees (sd).")
    ] = None,
    table: Annotated[str | None, typer.Option(help="Standard table; without it the log's own.")] = None,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write the lines to this file as a table.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the card to this file.")] = None,
    svg_out: Annotated[Path | None, typer.Option("--svg", help="Write the picture of the lines to this file.")] = None,
    pdf_out: Annotated[Path | None, typer.Option("--pdf", help="Write the card to this file, a page to print.")] = None,
    paper: Annotated[str, typer.Option(help="Paper to print on: a4 or letter.")] = "a4",
) -> None:
    """Tell a shot's aim card. Near sight to far sight, for which starts, and where the point is by tape."""
    outputs = {"--csv": csv_out, "--json": json_out, "--svg": svg_out, "--pdf": pdf_out}
    check_apart((), outputs)
    for path in outputs.values():
        check_writable(path)
    answer = _ask(shot, split or [], near, table, spread_deg)
    made, point = answer.card, answer.practice.point
    if isinstance(made, NoCard):
        raise InputError(tell_no_card(made, point))
    # Made before anything is written, for it may refuse the paper.
    sheet = b"" if pdf_out is None else _sheet(answer, made, paper)
    if csv_out is not None:
        text = StringIO()
        write_card(made, text)
        write_text(csv_out, text.getvalue())
    if json_out is not None:
        write_text(json_out, json.dumps(made.to_json(), indent=1, allow_nan=False) + "\n")
    if svg_out is not None:
        write_text(svg_out, draw_card(made, point, standalone=True))
    if pdf_out is not None:
        write_bytes(pdf_out, sheet)
    say(
        f"Aim card: {shot}{f' ({answer.part})' if answer.part else ''}.",
        f"{describe_shot(made.shot).capitalize()}; {made.table.name} table.",
    )
    for heading, sentences in tell_card(made, point):
        say("", f"{heading}.", *sentences)
    for by, values in answer.choices:
        say(f"--split {by}={values[0][0]} makes the card of those alone.")
    if made.seen.elsewhere:
        say("--near makes the card over another rail.")
    say(*answer.notes)
    figures = card_figures(made)
    say("", figures.note)
    grid(figures.columns, figures.rows)
    say("", *tell_how(made))


def _sheet(answer: Answer, made: AimCard, paper: str) -> bytes:
    from app.telling.aim_card_sheet import card_sheet

    return card_sheet(made, answer.practice.point, part=answer.part, notes=answer.notes, paper=paper.lower())


def _ask(shot: str, split: list[str], near: str | None, table: str | None, spread_deg: float | None) -> Answer:
    parts = [parse_part(text) for text in split]
    if near is not None and near not in get_args(Rail):
        raise InputError(f"--near is {near!r}; use one of {', '.join(RAILS)}.")
    on = None if table is None else standard_table(table)
    spread = None if spread_deg is None else radians(spread_deg)
    with opened(load_settings(), make=False) as engine, waiting("Fitting"):
        found = find_shot(engine, shot)
        return card_of_log(engine, found, parts=parts, near=near, table=on, spread_rad=spread)  # type: ignore[arg-type]
