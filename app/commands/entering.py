"""``railpoint enter``: attempts by hand in the trade's words, and wrong ones put right or taken out."""

import sys
from io import StringIO
from pathlib import Path
from textwrap import wrap
from typing import Annotated

import typer
from sqlalchemy import Engine

from app.commands.terminal import check_writable, counted, grid, out, say, write_text
from app.entry.echo import Echo
from app.entry.lines import DEFAULT_TABLE, Checked, check_lines, log_lines, parse_when, put_line_right
from app.entry.vocabulary import EXAMPLE, words_table
from app.settings import load_settings
from app.store.database import database_exists, opened
from app.store.entries import restore, withdraw
from app.store.log import check_shot
from app.store.log_views import find_shot, list_attempts, list_shots
from app.telling.entries_list import COLUMNS, list_entries, write_entries
from calibration.errors import InputError
from calibration.table import Table, standard_table
from vision.shot import Shot, load_shot

LARGEST_FILE_BYTES = 1_000_000


def enter(
    # Listed, it would be shown with the name of its Python type: what a line is stands above the options.
    lines: Annotated[list[str] | None, typer.Argument(metavar="LINE", hidden=True)] = None,
    shot: Annotated[str | None, typer.Option(help="Name of the shot in the log, or its shot file.")] = None,
    source: Annotated[Path | None, typer.Option("--from", help="A file of lines; - is standard input.")] = None,
    player: Annotated[str | None, typer.Option(help="Whose attempts these are.")] = None,
    at: Annotated[
        str | None, typer.Option(help="Day or time of the practice, such as 2026-03-01; now without it.")
    ] = None,
    table: Annotated[
        str | None, typer.Option(help="Standard table; without it the shot's own in the log, or 9ft.")
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Only tell what was understood; log nothing.")] = False,
    put_right: Annotated[int | None, typer.Option(help="Log the line in place of the entry of this number.")] = None,
    withdrawn: Annotated[
        list[int] | None,
        typer.Option("--withdraw", metavar="NUMBER", help="Take the attempt of this number out of all counts."),
    ] = None,
    restored: Annotated[
        list[int] | None, typer.Option("--restore", metavar="NUMBER", help="Put back an attempt that was taken out.")
    ] = None,
    show: Annotated[
        bool, typer.Option("--list", help="List the shot's attempts with their numbers and origin.")
    ] = False,
    csv_out: Annotated[Path | None, typer.Option("--csv", help="Write that list to this file.")] = None,
    words: Annotated[bool, typer.Option("--words", help="Show the words that a line is made of.")] = False,
) -> None:
    """Enter attempts by hand, in the words of the trade. Puts wrong ones right, or takes them out.

    Each LINE is an attempt, in quotes: "start 2.5, through 3.25, long half a ball, medium, no english".
    """
    if words:
        say(f'A line tells one attempt, its parts in any order with commas between: "{EXAMPLE}".', "")
        grid(("Part", "Write", "What it means"), words_table())
        return
    if shot is None:
        raise InputError("say which shot: --shot with its name in the log, or with its shot file.")
    asked = [
        option
        for option, given in (
            ("--put-right", put_right),
            ("--withdraw", withdrawn),
            ("--restore", restored),
            ("--list", show),
        )
        if given
    ]
    if len(asked) > 1:
        raise InputError(f"{asked[0]} and {asked[1]} are two things; do one after the other.")
    if asked:
        beside = (("--from", source), ("--player", player), ("--at", at), ("--table", table))
        useless = [option for option, given in beside if given is not None]
        if lines and asked[0] != "--put-right":
            useless.append("a line")
        if useless:
            raise InputError(f"{asked[0]} takes no {useless[0].removeprefix('a ')}; leave it out.")
    if show or csv_out is not None:
        _list(shot, csv_out)
    elif withdrawn or restored:
        _mark(shot, withdrawn or [], restored or [])
    elif put_right is not None:
        _put_right(shot, put_right, lines or [], check)
    else:
        _enter(shot, _lines(lines or [], source), player, at, table, check)


def _enter(name: str, lines: list[str], player: str | None, at: str | None, table: str | None, check: bool) -> None:
    settings = load_settings()
    when = parse_when(at)
    stated = standard_table(table) if table is not None else None
    if database_exists(settings):
        with opened(settings) as engine:
            drilled, on = _shot(engine, name)
    elif _is_file(name):
        drilled, on = load_shot(Path(name)), None
    else:
        raise InputError(
            f"the log has no shot named {name!r}, it is empty; give the shot's file, such as --shot kick.toml."
        )
    on = stated or on or DEFAULT_TABLE
    checked = check_lines(lines, drilled, on)
    if check:
        for one in checked:
            _tell(one, f"{one.number}")
        say(f"{counted(len(checked), 'line')} understood, on a {on.name} table; nothing was logged.")
        return
    with opened(settings) as engine:
        ids = log_lines(engine, checked, drilled, on, player=player, at=when)
    for attempt_id, one in zip(ids, checked, strict=True):
        _tell(one, f"{attempt_id}")
    say(f"Logged {counted(len(ids), 'attempt')} at {drilled.name!r} on a {on.name} table, under the numbers above.")


def _tell(one: Checked, number: str) -> None:
    _tell_echo(one.echo, number)


def _tell_echo(told: Echo, number: str) -> None:
    margin = " " * (len(number) + 2)
    width = out().width - 1
    say(*wrap(told.words, width, initial_indent=f"{number}  ", subsequent_indent=margin))
    say(*wrap(told.coordinates, width, initial_indent=margin, subsequent_indent=margin))


def _put_right(name: str, number: int, lines: list[str], check: bool) -> None:
    if len(lines) != 1:
        raise InputError(f'--put-right {number} takes one line, such as "{EXAMPLE}".')
    with opened(load_settings(), make=False) as engine:
        shot, _ = _shot(engine, name)
        old = next((a for a in list_attempts(engine, shot_name=shot.name, withdrawn=True) if a.id == number), None)
        if old is None:
            raise InputError(f"{shot.name!r} has no attempt {number}; --list shows their numbers.")
        if check:
            _tell(check_lines(lines, shot, old.table)[0], str(number))
            say("Nothing was logged.")
            return
        new, echo = put_line_right(engine, old, lines[0], shot)
    _tell_echo(echo, str(new))
    say(f"Logged as {new} in place of {number}, which is taken out.")


def _mark(name: str, out: list[int], back: list[int]) -> None:
    with opened(load_settings(), make=False) as engine:
        shot, _ = _shot(engine, name)
        withdraw(engine, out, shot.name)
        restore(engine, back, shot.name)
    which = ", ".join(str(number) for number in out or back)
    said = "counts no more; --restore brings it back" if out else "counts again"
    say(f"{'Attempt' if len(out or back) == 1 else 'Each of'} {which} {said}.")


def _list(name: str, csv_out: Path | None) -> None:
    check_writable(csv_out)
    with opened(load_settings(), make=False) as engine:
        shot, _ = _shot(engine, name)
        entries = list_entries(list_attempts(engine, shot_name=shot.name, withdrawn=True), shot)
    if csv_out is not None:
        text = StringIO()
        write_entries(entries, text)
        write_text(csv_out, text.getvalue())
    if not entries:
        say(f"There is no attempt at {shot.name!r} yet.")
        return
    grid(COLUMNS, [entry.cells() for entry in entries])


def _shot(engine: Engine, name: str) -> tuple[Shot, Table | None]:
    """The shot of a name or a file, and the table it was last drilled on."""
    if _is_file(name):
        drilled = load_shot(Path(name))
        check_shot(engine, drilled)
        return drilled, next((s.table for s in list_shots(engine) if s.shot.name == drilled.name), None)
    found = find_shot(engine, name)
    return found.shot, found.table


def _is_file(name: str) -> bool:
    return name.endswith(".toml")


def _lines(given: list[str], source: Path | None) -> list[str]:
    if source is None:
        if given:
            return given
        if sys.stdin.isatty():
            raise InputError(f'give a line such as "{EXAMPLE}", or a file of lines with --from.')
        source = Path("-")
    elif given:
        raise InputError("give lines or --from, not both.")
    try:
        text = sys.stdin.read(LARGEST_FILE_BYTES + 1) if str(source) == "-" else _read(source)
    except UnicodeDecodeError as error:
        raise InputError(f"{source}: the lines are not UTF-8 text; save them as UTF-8.") from error
    if len(text) > LARGEST_FILE_BYTES:
        raise InputError(f"{source}: over {LARGEST_FILE_BYTES} characters; that is no file of attempts.")
    return text.splitlines()


def _read(source: Path) -> str:
    try:
        with source.open(encoding="utf-8-sig") as stream:
            return stream.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"{source}: the lines cannot be read ({error.strerror}).") from error
