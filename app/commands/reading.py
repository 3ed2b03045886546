"""``railpoint read``: from a clip to attempts, in words, in a file and in the log."""

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, TypeVar

import typer
from sqlalchemy import Engine

from app.commands.corners import read_corners
from app.commands.markers import find_by_markers
from app.commands.reading_told import print_mixed, print_reading
from app.commands.saved_camera import load_camera
from app.commands.table_options import (
    Corners,
    HeadSide,
    Markers,
    ReadoutMs,
    TableName,
    check_head,
    readout_seconds,
)
from app.commands.terminal import check_apart, check_clip, check_writable, counted, progress, say, write_text
from app.settings import load_settings
from app.store.database import check_database, database_exists, opened
from app.store.log import ClipFile, check_shot, identify_clip, store_reading
from app.store.mixed_log import store_mixed
from calibration.camera import Setup
from calibration.errors import InputError
from vision.mixed_reading import MixedReading
from vision.reading import Reading
from vision.shot import Shot, load_shot, load_shots

Found = TypeVar("Found")


def read(
    clip: Annotated[Path, typer.Argument(help="The clip to read.")],
    shot: Annotated[Path | None, typer.Option(help="The shot file: what is drilled.")] = None,
    shots: Annotated[
        Path | None, typer.Option(help="A folder of shot files, for a clip of several drills, in place of --shot.")
    ] = None,
    table: TableName = "auto",
    head: HeadSide = None,
    corners: Corners = None,
    markers: Markers = None,
    camera: Annotated[Path | None, typer.Option(help="A camera file made by 'railpoint setup'.")] = None,
    readout_ms: ReadoutMs = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the reading to this file.")] = None,
    log: Annotated[bool, typer.Option("--log/--no-log", help="Put the attempts into the log.")] = True,
    anew: Annotated[
        bool,
        typer.Option("--anew", help="Put this reading in place of an earlier one of the clip for the shot."),
    ] = False,
    player: Annotated[str | None, typer.Option(help="Whose attempts these are.")] = None,
) -> None:
    """Read a clip's attempts into the log. Tells every one in words."""
    drilled = load_drilled(shot, shots)
    if anew and shots is not None:
        raise InputError("--anew is for a clip of one drill; give --shot SHOT.toml, for one shot after the other.")
    places = read_corners(corners)
    readout_s = readout_seconds(readout_ms)
    if camera is not None and (places is not None or markers is not None):
        option = "--corners" if places is not None else "--markers"
        raise InputError(f"{option} is for finding the camera, and --camera names one found before; give one of them.")
    check_clip(clip)
    check_head(head)
    check_apart([clip, shot, camera, *(sorted(shots.glob("*.toml")) if shots else [])], {"--json": json_out})
    check_writable(json_out)
    setup_ = load_camera(camera, table, head) if camera is not None else None
    settings = load_settings()
    if log:
        check_database(settings)
        if database_exists(settings):
            with opened(settings) as engine:
                for one in drilled:
                    check_shot(engine, one)
    if markers is not None:
        marked = find_by_markers(clip, markers, table, head, corners)
        setup_ = marked.setup
        say(*marked.notes)
    reads = partial(
        _reader(clip, drilled, mixed=shots is not None),
        table=table,
        head=head,
        setup=setup_,
        corners_px=places,
        readout_s=readout_s,
    )
    with progress(f"Reading {clip.name}") as done:
        found, film = read_and_identified(clip, reads, done)
    try:
        if json_out is not None:
            write_text(json_out, json.dumps(found.to_json(), indent=1, allow_nan=False) + "\n")
    finally:
        # A reading takes minutes: a disk that is full by now must not lose what can still be told and logged.
        if isinstance(found, MixedReading):
            print_mixed(found, setup_)
        else:
            print_reading(found, setup_)
        if log:
            with opened(settings) as engine:
                if isinstance(found, MixedReading):
                    say(*log_mixed(engine, found, film, setup_, player))
                else:
                    say(log_reading(engine, found, film, setup_, player, anew=anew))


def load_drilled(shot: Path | None, shots: Path | None) -> list[Shot]:
    """What is drilled: the shot of a file, or all of a folder. Raises InputError unless just one of them is given."""
    if shot is not None and shots is not None:
        raise InputError("--shot is for a clip of one drill and --shots for one of several; give one of them.")
    if shot is not None:
        return [load_shot(shot)]
    if shots is None:
        raise InputError("say what is drilled: --shot SHOT.toml, or --shots FOLDER for a clip of several drills.")
    found = list(load_shots(shots).values())
    if not found:
        raise InputError(f"{shots}: there is no shot file (*.toml) in this folder; put one there for each drill.")
    return found


def _reader(clip: Path, drilled: list[Shot], *, mixed: bool) -> Callable[..., Reading | MixedReading]:
    """What reads a clip of one drill or of several; loaded only now, since that takes long."""
    if mixed:
        from vision.read import read_mixed_clip

        return partial(read_mixed_clip, clip, drilled)
    from vision.read import read_clip

    return partial(read_clip, clip, drilled[0])


def read_and_identified(
    clip: Path, reads: Callable[..., Found], done: Callable[[float], None]
) -> tuple[Found, ClipFile]:
    """What a reader finds that takes ``progress``, and the clip's identity; ``done`` gets the fraction of both."""
    film = identify_clip(clip, lambda part: done(0.02 * part))
    return reads(progress=lambda part: done(0.02 + 0.98 * part)), film


def log_reading(
    engine: Engine, found: Reading, film: ClipFile, setup: Setup | None, player: str | None, *, anew: bool = False
) -> str:
    """Store a reading and say what that did, in a sentence or two."""
    stored = store_reading(engine, found, film, setup=setup, player=player, anew=anew)
    if stored.already:
        return (
            f"This clip is in the log for this shot already (session {stored.session_id}); nothing was added. "
            "With --anew this reading stands in place of that one."
        )
    instead = f" in place of {stored.taken_out} that were taken out" if stored.taken_out else ""
    if not stored.added:
        return f"Logged as session {stored.session_id}, with no attempts{instead}."
    return f"Logged {counted(stored.added, 'attempt')} in session {stored.session_id}{instead}."


def log_mixed(
    engine: Engine, found: MixedReading, film: ClipFile, setup: Setup | None, player: str | None
) -> list[str]:
    """Store a reading of several drills and say what that did, in sentences."""
    stored = store_mixed(engine, found, film, setup=setup, player=player)
    told = []
    if stored.added:
        each = " and ".join(f"{counted(n, 'attempt')} at {name!r}" for name, n in stored.added.items())
        told.append(f"Logged {each} in session {stored.session_id}.")
    for name in stored.already:
        told.append(f"This clip is in the log for {name!r} already (session {stored.session_id}); nothing was added.")
    if stored.unassigned:
        told.append(f"Kept {counted(stored.unassigned, 'stroke')} at none of the shots in session {stored.session_id}.")
    if stored.twice:
        told.append(
            f"Note: {stored.twice} of these attempts {'is' if stored.twice == 1 else 'are'} in the log for another "
            "shot too, for which this clip was read before."
        )
    return told or ["Nothing was logged: there was no attempt."]
