"""``railpoint demo``: the whole job on the sample clip, in a log of its own."""

from functools import partial
from importlib.resources import as_file, files
from pathlib import Path
from typing import Annotated

import typer

from app.commands.reading import log_reading, read_and_identified
from app.commands.reading_told import print_reading
from app.commands.serving import serve_log
from app.commands.terminal import check_writable, progress, say, write_text
from app.settings import load_settings
from app.store.database import opened
from app.store.log_views import load_session
from app.telling.practice import practise
from calibration.errors import InputError
from vision.shot import load_shot

CLIP, SHOT = "overhead_kick.mp4", "overhead_kick.shot.toml"
DATABASE, PICTURE = "demo.sqlite3", "demo.svg"


def demo(
    serving: Annotated[bool, typer.Option("--serve/--no-serve", help="Serve the page afterwards.")] = True,
    folder: Annotated[Path | None, typer.Option("--dir", help="Folder for the demo's log and picture.")] = None,
) -> None:
    """Do the whole job on the sample clip. Reads it, logs it, fits it, draws it, serves it."""
    settings = load_settings()
    folder = folder if folder is not None else settings.data_dir / "demo"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder}: this folder cannot be made ({error.strerror}); choose another with --dir."
        ) from error
    picture = folder / PICTURE
    check_writable(picture)
    # Each demo starts with an empty log. The file's name is the demo's own, whatever folder was given.
    for stale in (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm"):
        (folder / stale).unlink(missing_ok=True)
    settings = settings.model_copy(update={"database_url": f"sqlite:///{folder / DATABASE}"})

    sample = files("sample_frames")
    if not sample.joinpath(CLIP).is_file():
        raise InputError("the sample clip is not installed; install railpoint with its sample_frames package.")
    with as_file(sample.joinpath(CLIP)) as clip, as_file(sample.joinpath(SHOT)) as shot_file:
        # Not before it is needed: what reads films takes long to load.
        from vision.read import read_clip

        shot = load_shot(shot_file)
        with progress("Reading the sample clip") as done:
            found, film = read_and_identified(clip, partial(read_clip, clip, shot), done)
    print_reading(found, None)
    with opened(settings) as engine:
        log_reading(engine, found, film, None, None)
        session = load_session(engine, 1)
        if session is None:
            raise RuntimeError("the session just stored is not in the log")
        practice = practise(shot, session.table, session.attempts)
        write_text(picture, practice.drawing(standalone=True))
        say("", f"{practice.tally().capitalize()}.", *practice.sentences(), "", f"Picture written to {picture}.")
        if serving:
            serve_log(engine, settings, f"/sessions/{session.id}")
