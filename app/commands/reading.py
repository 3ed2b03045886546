"""``railpoint read``: from a clip to attempts, in words, in a file and in the log."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine

from app.commands.corners import read_corners
from app.commands.markers import find_by_markers
from app.commands.saved_camera import load_camera
from app.commands.table_options import Corners, HeadSide, Markers, TableName, check_head
from app.commands.terminal import check_apart, check_clip, check_writable, grid, progress, say, write_text
from app.settings import load_settings
from app.store.database import check_database, database_exists, opened
from app.store.log import ClipFile, check_shot, identify_clip, store_reading, table_of
from app.telling.words import AttemptWords, tell_attempt
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import Vector
from vision.reading import Reading
from vision.shot import Shot, load_shot


def read(
    clip: Annotated[Path, typer.Argument(help="The clip to read.")],
    shot: Annotated[Path, typer.Option(help="The shot file: what is drilled.")],
    table: TableName = "auto",
    head: HeadSide = None,
    corners: Corners = None,
    markers: Markers = None,
    camera: Annotated[Path | None, typer.Option(help="A camera file made by 'railpoint setup'.")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the reading to this file.")] = None,
    log: Annotated[bool, typer.Option("--log/--no-log", help="Put the attempts into the log.")] = True,
    player: Annotated[str | None, typer.Option(help="Whose attempts these are.")] = None,
) -> None:
    """Read a clip: tell every attempt in words and put it into the log."""
    drilled = load_shot(shot)
    places = read_corners(corners)
    if camera is not None and (places is not None or markers is not None):
        option = "--corners" if places is not None else "--markers"
        raise InputError(f"{option} is for finding the camera, and --camera names one found before; give one of them.")
    check_clip(clip)
    check_head(head)
    check_apart([clip, shot, camera], {"--json": json_out})
    check_writable(json_out)
    setup_ = load_camera(camera, table, head) if camera is not None else None
    settings = load_settings()
    if log:
        check_database(settings)
        if database_exists(settings):
            with opened(settings) as engine:
                check_shot(engine, drilled)
    if markers is not None:
        marked = find_by_markers(clip, markers, table, head, corners)
        setup_ = marked.setup
        say(*marked.notes)
    with progress(f"Reading {clip.name}") as done:
        found, film = read_film(clip, drilled, table=table, head=head, setup=setup_, corners_px=places, done=done)
    try:
        if json_out is not None:
            write_text(json_out, json.dumps(found.to_json(), indent=1, allow_nan=False) + "\n")
    finally:
        # A reading takes minutes: a disk that is full by now must not lose what can still be told and logged.
        print_reading(found, setup_)
        if log:
            with opened(settings) as engine:
                say(log_reading(engine, found, film, setup_, player))


def read_film(
    clip: Path,
    shot: Shot,
    *,
    table: str,
    head: str | None,
    setup: Setup | None,
    done: Callable[[float], None],
    corners_px: Vector | None = None,
) -> tuple[Reading, ClipFile]:
    """The reading of a clip and its identity; ``done`` gets the fraction of both together."""
    from vision.read import read_clip

    film = identify_clip(clip, lambda part: done(0.02 * part))
    reading = read_clip(
        clip,
        shot,
        table=table,
        head=head,
        corners_px=corners_px,
        setup=setup,
        progress=lambda part: done(0.02 + 0.98 * part),
    )
    return reading, film


def log_reading(engine: Engine, found: Reading, film: ClipFile, setup: Setup | None, player: str | None) -> str:
    """Store a reading and say what that did, in a sentence."""
    stored = store_reading(engine, found, film, setup=setup, player=player)
    if stored.already:
        return f"This clip is in the log for this shot already (session {stored.session_id}); nothing was added."
    if not stored.added:
        return f"Logged as session {stored.session_id}, with no attempts."
    return f"Logged {stored.added} attempt{'' if stored.added == 1 else 's'} in session {stored.session_id}."


def print_reading(found: Reading, setup: Setup | None) -> None:
    table = setup.table if setup is not None else table_of(found)
    words = [tell_attempt(a, found.shot, table) for a in found.attempts]
    say(
        f"{found.shot.name}: {len(found.attempts)} attempt{'' if len(found.attempts) == 1 else 's'} "
        f"on a {found.table_name} table, head rail at the {found.head} of the picture."
    )
    if words:
        print_attempts([(a.t_s, w) for a, w in zip(found.attempts, words, strict=True)])
    for warning in found.warnings:
        say(f"Note: {warning}.")
    if found.clip.frames_lost:
        say(f"Note: {found.clip.frames_lost} of {found.clip.frames} frames could not be decoded.")
    if not found.clip.complete:
        say("Note: the clip is cut short; what came before the cut was read.")


def print_attempts(attempts: list[tuple[float, AttemptWords]]) -> None:
    """Attempts as lines in words; remarks follow below."""
    grid(
        ("No.", "At", "Result", "Miss", "in sights", "Start, in sights", "Line, at sight", "Speed"),
        [
            (
                str(k),
                f"{t_s:.1f} s",
                w.outcome,
                w.miss,
                w.miss_sights.removesuffix(" sights"),
                w.start.replace(" along", "").replace(" across", ""),
                w.line.replace(" at the ", " ").removesuffix(" rail's sights"),
                w.speed,
            )
            for k, (t_s, w) in enumerate(attempts, 1)
        ],
    )
    for k, (_, w) in enumerate(attempts, 1):
        for remark in w.remarks:
            say(f"Attempt {k}: {remark}.")
