"""``railpoint setup --check``: whether what balls at rest show agrees with the camera."""

import json
import math
from collections.abc import Sequence
from pathlib import Path

import typer

from app.commands.terminal import grid, progress, say, write_text
from app.telling.check_words import tell_check
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import Vector
from vision.checked import SelfCheck

# Rows of diameters shown; the file has all.
MOST_ROWS = 16


def check_tapes(tapes: Sequence[float]) -> None:
    """Refuse lengths that no tape between two balls can show."""
    for tape in tapes:
        if not (math.isfinite(tape) and 0.05 < tape < 4.0):
            raise InputError(f"--tape is {tape:g}; give the distance of two balls' centres in metres, such as 1.234.")


def run_check(
    clip: Path,
    *,
    table: str,
    head: str | None,
    corners_px: Vector | None,
    setup: Setup | None,
    tapes_m: Sequence[float],
) -> SelfCheck:
    from vision.self_check import check_clip_setup

    with progress(f"Checking {clip.name}") as done:
        return check_clip_setup(
            clip, table=table, head=head, corners_px=corners_px, setup=setup, tapes_m=tapes_m, progress=done
        )


def print_check(found: SelfCheck, json_out: Path | None) -> None:
    """Say what the check found, write it, and end with exit code 1 when something contradicts the camera."""
    words = tell_check(found)
    say("", *words.seen)
    if words.diameter_rows:
        say("", f"Diameters; a ball has {2000 * found.setup.table.ball_radius_m:.2f} mm.")
        grid(("Ball", "Along", "Across", "Diameter, mm", "Off by"), words.diameter_rows[:MOST_ROWS])
        if len(words.diameter_rows) > MOST_ROWS:
            say(f"... and at {len(words.diameter_rows) - MOST_ROWS} more places; --json writes them all.")
    if words.diameters:
        say("", *words.diameters)
    if words.distance_rows:
        say("", "Distances of centres, to compare with a tape held to the same side of both balls.")
        grid(("From the", "To the", "Metres", "Tape"), words.distance_rows)
    for sentences in (words.spots, words.stillness):
        if sentences:
            say("", *sentences)
    if json_out is not None:
        told = {**found.to_json(), "agrees": not words.contradictions, "contradictions": list(words.contradictions)}
        write_text(json_out, json.dumps(told, indent=1, allow_nan=False) + "\n")
    say("")
    if words.contradictions:
        say(*(f"Contradiction: {sentence}" for sentence in words.contradictions))
        raise typer.Exit(1)
    say("Nothing seen contradicts the camera.")
