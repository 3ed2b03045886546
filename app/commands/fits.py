"""``railpoint fit`` and ``railpoint export``: the convergence point from a file or the log, and the log as a file."""

import json
import sys
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import check_writable, say, waiting, write_text
from app.fitting.attempts_csv import AttemptRow, load_attempts, write_attempts
from app.fitting.fit import ShotFit, fit_all
from app.fitting.remarks import check_units
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot, list_attempts, list_shots
from app.telling.point_view import point_view, tell_point
from app.telling.practice import FIRST_ROW, attempt_rows, practise
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table, standard_table
from vision.shot import Shot, load_shot

DEFAULT_TABLE = "9ft"


def fit(
    source: Annotated[Path | None, typer.Option("--from", help="A file of attempts (CSV) in place of the log.")] = None,
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the fits to this file.")] = None,
    shots: Annotated[Path | None, typer.Option(help="Folder of shot files, for rails and targets.")] = None,
    table: Annotated[
        str | None, typer.Option(help="Standard table; without it the log's own, or 9ft for a file.")
    ] = None,
) -> None:
    """Fit the convergence point of each shot, from the log or from a file of attempts."""
    check_writable(json_out)
    stated = standard_table(table) if table is not None else None
    if source is not None:
        on = stated or STANDARD_TABLES[DEFAULT_TABLE]
        known = load_shots(shots)
        read = load_attempts(source)
        rows = list(read.rows)
        say(*read.remarks)
        check_units(rows, on, known, str(source))
        if shot is not None:
            rows = [row for row in rows if row.shot == shot]
            if not rows:
                raise InputError(f"{source}: no attempt is at a shot named {shot!r}.")
        with waiting("Fitting"):
            found: list[tuple[ShotFit, Shot | None, Table]] = [
                (f, known.get(f.shot), on) for f in fit_all(rows, on, known)
            ]
    else:
        if shots is not None:
            raise InputError("--shots goes with --from; the log has the shots of its own.")
        found = _from_log(shot, stated)
    for one, drilled, on in found:
        say(f"{one.shot}: {one.used} of {one.attempts} attempts used.")
        say(*(f"  {sentence}" for sentence in tell_point(point_view(one.to_json()), drilled, on)))
        say(*(f"  {sentence}" for sentence in one.remarks))
        for weight in one.weights[:10]:
            entry = f"Line {weight.row}" if source is not None else f"Attempt {weight.row - FIRST_ROW + 1}"
            say(f"  {entry} counts {weight.weight:.2g}: {weight.why.rstrip('.')}.")
        if len(one.weights) > 10:
            say(f"  {len(one.weights) - 10} more count less than fully; the JSON lists them.")
    if json_out is not None:
        write_text(json_out, json.dumps([one.to_json() for one, _, _ in found], indent=1, allow_nan=False) + "\n")


def export(
    to: Annotated[Path | None, typer.Option(help="File to write; standard output without it.")] = None,
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
) -> None:
    """Write the log's attempts as the CSV that 'railpoint fit --from' reads."""
    check_writable(to)
    rows: list[AttemptRow] = []
    with opened(load_settings(), make=False) as engine:
        if shot is not None:
            find_shot(engine, shot)
        drilled = {s.shot.name: s.shot for s in list_shots(engine)}
        for logged in list_attempts(engine, shot_name=shot):
            rows += attempt_rows([logged], drilled[logged.shot_name])
    text = StringIO()
    write_attempts(rows, text)
    if to is None:
        sys.stdout.write(text.getvalue())
        return
    write_text(to, text.getvalue())
    say(f"{len(rows)} attempt{'' if len(rows) == 1 else 's'} written to {to}.")


def load_shots(folder: Path | None) -> dict[str, Shot]:
    """The shot files of a folder, by name. Raises InputError when it is no folder or two files share a name."""
    if folder is None:
        return {}
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder of shot files.")
    known: dict[str, Shot] = {}
    for path in sorted(folder.glob("*.toml")):
        loaded = load_shot(path)
        if loaded.name in known:
            raise InputError(f"{path}: another file of this folder has the name {loaded.name!r}; names must differ.")
        known[loaded.name] = loaded
    return known


def _from_log(shot: str | None, stated: Table | None) -> list[tuple[ShotFit, Shot | None, Table]]:
    with opened(load_settings(), make=False) as engine:
        chosen = [find_shot(engine, shot)] if shot is not None else list_shots(engine)
        if not chosen:
            raise InputError("the log is empty; read a clip with 'railpoint read', or fit a file with --from.")
        found: list[tuple[ShotFit, Shot | None, Table]] = []
        with waiting("Fitting"):
            for one in chosen:
                on = stated or one.table or STANDARD_TABLES[DEFAULT_TABLE]
                practice = practise(one.shot, on, list_attempts(engine, shot_name=one.shot.name))
                found.append((practice.fit, one.shot, on))
    return found
