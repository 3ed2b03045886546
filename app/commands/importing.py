"""``railpoint import``: a file of attempts taken into the log."""

from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import counted, say, waiting
from app.entry.csv_import import import_attempts
from app.fitting.attempts_csv import load_attempts
from app.settings import load_settings
from app.store.database import check_database, opened
from calibration.table import standard_table
from vision.shot import load_shots


def import_file(
    attempts: Annotated[Path, typer.Argument(help="The file of attempts (CSV) to take into the log.")],
    shots: Annotated[
        Path | None, typer.Option(help="Folder of shot files, for shots that the log does not hold.")
    ] = None,
    player: Annotated[str | None, typer.Option(help="Whose attempts they are, where the file names nobody.")] = None,
    table: Annotated[
        str | None, typer.Option(help="Standard table; without it the shots' own in the log, or 9ft.")
    ] = None,
) -> None:
    """Take a file of attempts into the log. All of it or nothing, and nothing twice."""
    on = standard_table(table) if table is not None else None
    known = load_shots(shots)
    settings = load_settings()
    check_database(settings)
    # Before the log is opened: a file that cannot be used must not leave an empty one behind.
    file = load_attempts(attempts)
    with opened(settings) as engine, waiting("Importing"):
        done = import_attempts(engine, file, str(attempts), shots=known, player=player, table=on)
    say(*done.remarks)
    for name, count in done.added.items():
        say(f"Imported {counted(count, 'attempt')} at {name!r}.")
    if done.already:
        say(f"{counted(done.already, 'row')} of the file {'is' if done.already == 1 else 'are'} in the log already.")
    elif not done.added:
        say("Nothing was imported.")
