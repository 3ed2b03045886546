"""``railpoint fit`` and ``railpoint export``: the convergence point from a file or the log, and the log as a file."""

import json
import re
import sys
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from app.commands.terminal import check_apart, check_writable, say, waiting, write_text
from app.entry.vocabulary import UNIT_M
from app.fitting.attempts_csv import AttemptRow, load_attempts, write_attempts
from app.fitting.choices import MIRRORED, MIRRORED_CORNER, fit_apart, fit_mirrored
from app.fitting.fit import ShotFit
from app.fitting.log_fit import Job, Others, by_shot, fit_all
from app.fitting.pooled import APART
from app.fitting.remarks import check_units
from app.next_shot.from_rows import plan_next
from app.next_shot.plan import check_wanted
from app.room.marks import parse_mark
from app.room.room_file import Room, load_room
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import find_shot, list_attempts, list_shots
from app.telling.fit_csv import write_fits
from app.telling.fit_words import fit_words, weight_words
from app.telling.next_words import tell_plan
from app.telling.point_view import point_view
from app.telling.point_words import tell_point
from app.telling.practice import FIRST_ROW, attempt_rows, practise, practised_rows
from app.telling.rest_of_log import fit_together, rest_of_log
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table, standard_table
from vision.shot import Shot, load_shots

DEFAULT_TABLE = "9ft"


@dataclass(frozen=True)
class Choice:
    """What the user wants fitted apart or together, and the marks to compare."""

    split: str | None
    mirrored: str | None
    room: Room


# A fit with what telling it needs.
Fitted = tuple[ShotFit, Shot | None, Table]


def fit(
    source: Annotated[Path | None, typer.Option("--from", help="A file of attempts (CSV) in place of the log.")] = None,
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the fits to this file.")] = None,
    csv_out: Annotated[
        Path | None, typer.Option("--csv", help="Write the fits to this file as a table, a value a row.")
    ] = None,
    svg_out: Annotated[
        Path | None, typer.Option("--svg", help="Of one shot of the log: write the picture to this file.")
    ] = None,
    shots: Annotated[Path | None, typer.Option(help="Folder of shot files, for rails and targets.")] = None,
    table: Annotated[
        str | None, typer.Option(help="Standard table; without it the log's own, or 9ft for a file.")
    ] = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=PLACE",
            help="A place to aim at, compared with the point: NAME=x,y in metres, or a sight. May be given again.",
        ),
    ] = None,
    split: Annotated[
        str | None, typer.Option(help="Fit each shot apart by english, speed, player, day or session.")
    ] = None,
    mirrored: Annotated[str | None, typer.Option(help="The same shot from mirrored corners: pool or compare.")] = None,
    until: Annotated[
        str | None, typer.Option(help="What to shoot next, and how often, until the ellipse reaches so far: 5cm, 2in.")
    ] = None,
) -> None:
    """Fit the convergence point of each shot. From the log, or from a file of attempts."""
    check_apart((source,), {"--json": json_out, "--csv": csv_out, "--svg": svg_out})
    for path in (json_out, csv_out, svg_out):
        check_writable(path)
    if svg_out is not None and (shot is None or source is not None or split is not None or mirrored is not None):
        raise InputError("--svg draws one shot of the log: give --shot, and leave out --from, --split and --mirrored.")
    _check(split, mirrored)
    wanted_m = None if until is None else _wanted(until, split, mirrored)
    fitted_rows: list[AttemptRow] = []
    stated = standard_table(table) if table is not None else None
    settings = load_settings()
    room = load_room(settings.room_file, settings.marks_file).with_marks(parse_mark(text) for text in mark or [])
    choice = Choice(split, mirrored, room)
    if source is not None:
        found = _from_file(
            source, shot, load_shots(shots), stated or STANDARD_TABLES[DEFAULT_TABLE], choice, fitted_rows
        )
    elif shots is not None:
        raise InputError("--shots goes with --from; the log has the shots of its own.")
    else:
        found = _from_log(shot, stated, choice, fitted_rows)
    if mirrored is not None and not any(_has_image(one) for one, _, _ in found):
        raise InputError("--mirrored: no two of these shots are alike but for the sides of their rails and pockets.")
    plans = {}
    for one, drilled, on in found:
        say(f"{one.shot}: {one.used} of {one.attempts} attempts used.")
        say(*(f"  {sentence}" for sentence in tell_point(point_view(one.to_json()), drilled, on)))
        apart = [entry.by for entry in one.pooled if entry.by in APART]
        apart += ["session"] if one.sessions is not None else []
        if apart:
            say(f"  --split {' or --split '.join(apart)} fits them apart.")
        say(*(f"  {sentence}" for sentence in (*fit_words(one), *one.remarks)))
        for weight in one.weights[:10]:
            entry = f"Line {weight.row}" if source is not None else f"Attempt {weight.row - FIRST_ROW + 1}"
            entry += f" of {weight.shot!r}" if weight.shot is not None else ""
            say(f"  {entry} counts {weight_words(weight.weight)}: {weight.why.rstrip('.')}.")
        if wanted_m is not None:
            plans[one.shot] = plan_next(one, fitted_rows, on, drilled, wanted_m=wanted_m)
            say(*(f"  {told}" for told in tell_plan(plans[one.shot], drilled, on)))
        if len(one.weights) > 10:
            say(f"  {len(one.weights) - 10} more count less than fully; the JSON lists them.")
    published = [
        one.to_json() | ({"until": plans[one.shot].until_json()} if one.shot in plans else {}) for one, _, _ in found
    ]
    if json_out is not None:
        write_text(json_out, json.dumps(published, indent=1, allow_nan=False) + "\n")
    if csv_out is not None:
        text = StringIO()
        write_fits(published, text)
        write_text(csv_out, text.getvalue())
    if svg_out is not None:
        write_text(svg_out, _picture(found[0], room))


def export(
    to: Annotated[Path | None, typer.Option(help="File to write; standard output without it.")] = None,
    shot: Annotated[str | None, typer.Option(help="Only the shot of this name.")] = None,
) -> None:
    """Write the log's attempts as CSV. The form is the one that 'railpoint fit --from' reads."""
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


def _check(split: str | None, mirrored: str | None) -> None:
    if split is not None and split not in APART:
        raise InputError(f"--split {split}: use {', '.join(APART)}.")
    if mirrored is not None and mirrored not in MIRRORED:
        raise InputError(f"--mirrored {mirrored}: use {' or '.join(MIRRORED)}.")
    if split is not None and mirrored is not None:
        raise InputError("--split parts attempts and --mirrored puts shots together; give one of them.")


def _wanted(until: str, split: str | None, mirrored: str | None) -> float:
    """``5cm`` in metres."""
    if split is not None or mirrored is not None:
        raise InputError("--until is for shots as they are; leave out --split and --mirrored.")
    found = re.fullmatch(r"\s*(\d{1,6}(?:[.,]\d{1,6})?)\s*(mm|cm|m|in)\s*", until)
    if found is None:
        raise InputError(f"--until {until}: give a length such as 5cm, 50mm or 2in.")
    wanted_m = float(found[1].replace(",", ".")) * UNIT_M[found[2]]
    check_wanted(wanted_m)
    return wanted_m


def _picture(fitted: Fitted, room: Room) -> str:
    """The attempts at a shot of the log and its point, as SVG."""
    one, _, on = fitted
    with opened(load_settings(), make=False) as engine:
        drilled, attempts = find_shot(engine, one.shot).shot, list_attempts(engine, shot_name=one.shot)
        practice = practise(drilled, on, attempts, room.marks_on(on), rest_of_log(engine, one.shot, on))
    return practice.drawing(standalone=True)


def _from_file(
    source: Path, shot: str | None, known: dict[str, Shot], on: Table, choice: Choice, fitted: list[AttemptRow]
) -> list[Fitted]:
    """``fitted`` takes the rows."""
    read = load_attempts(source)
    rows = list(read.rows)
    fitted += rows
    say(*read.remarks)
    check_units(rows, on, known, str(source))
    if shot is not None and all(row.shot != shot for row in rows):
        raise InputError(f"{source}: no attempt is at a shot named {shot!r}.")
    with waiting("Fitting"):
        return _fit_rows(rows, shot, on, known, choice)


def _from_log(shot: str | None, stated: Table | None, choice: Choice, fitted: list[AttemptRow]) -> list[Fitted]:
    """``fitted`` takes the rows."""
    with opened(load_settings(), make=False) as engine:
        chosen = [find_shot(engine, shot)] if shot is not None and not choice.mirrored else list_shots(engine)
        if not chosen:
            raise InputError("the log is empty; read a clip with 'railpoint read', or fit a file with --from.")
        if shot is not None:
            find_shot(engine, shot)
        with waiting("Fitting"):
            drilled = [
                (one.shot, on, practised_rows(one.shot, on, list_attempts(engine, shot_name=one.shot.name)))
                for one in chosen
                for on in [stated or one.table or STANDARD_TABLES[DEFAULT_TABLE]]
            ]
            fitted += [row for _, _, rows in drilled for row in rows]
            if choice.split is None and choice.mirrored is None:
                fits = fit_together(engine, drilled, choice.room.marks_on)
                return [(fit, of, on) for fit, (of, on, _) in zip(fits, drilled, strict=True)]
            by_table: dict[Table, list[AttemptRow]] = {}
            for _, on, rows in drilled:
                by_table.setdefault(on, []).extend(rows)
            known = {one.shot.name: one.shot for one in chosen}
            return [
                one
                for on, rows in by_table.items()
                for one in _fit_rows(rows, shot, on, known, choice, rest_of_log(engine, shot, on) if shot else None)
            ]


def _fit_rows(
    rows: list[AttemptRow],
    shot: str | None,
    on: Table,
    known: dict[str, Shot],
    choice: Choice,
    others: Others | None = None,
) -> list[Fitted]:
    """``others`` as in ``fit_all``; those of ``rows`` that are not at ``shot`` when not given."""
    if choice.mirrored is not None:
        # All of the log's shots are among the rows then.
        others = None
    elif shot is not None:
        rest = [Job(name, mine, known.get(name)) for name, mine in by_shot(rows).items() if name != shot]
        others = others or (lambda: rest)
        rows = [row for row in rows if row.shot == shot]
    if shot is not None and choice.mirrored is not None:
        # The first of a shot's images is the one to which the others are turned.
        rows = sorted(rows, key=lambda row: row.shot != shot)
    marks = choice.room.marks_on(on)
    if choice.split is not None:
        fits = fit_apart(rows, choice.split, on, known, marks, others)
    elif choice.mirrored is not None:
        fits = [one for one in fit_mirrored(rows, choice.mirrored, on, known, marks) if _is_of(one, shot)]
    else:
        fits = fit_all(rows, on, known, marks, others=others)
    # A part's name is its shot's with what it is a part by in brackets.
    return [(one, known.get(one.shot) or known.get(one.shot.rpartition(" (")[0]), on) for one in fits]


def _has_image(one: ShotFit) -> bool:
    return one.mirrored is not None or any(entry.by == MIRRORED_CORNER for entry in one.pooled)


def _is_of(one: ShotFit, shot: str | None) -> bool:
    return shot is None or one.shot == shot
