"""Where the camera stood, part by part: a clip is cut where its camera was moved, and each part has its own camera.

All that is learnt from stills (the camera, the empty table) is learnt before the film is read through, from stills of
the part that it is for.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Setup
from calibration.errors import InputError
from calibration.register import register
from calibration.setup_check import check_setup
from calibration.table import Vector, standard_table
from vision.background import Background, learn_background
from vision.clip import Clip, Frame
from vision.steadiness import Move, find_moves, turned

# Stills from which the camera and the empty table are learnt.
STILLS = 16
# A camera that is moved more often than this, for each minute of film, does not stand anywhere.
MOST_MOVES_PER_MIN, MOVES_AT_LEAST = 3.0, 6


@dataclass(frozen=True)
class Stand:
    """A part of a clip with one camera. ``arrival`` is the move that it begins with; None for the first part."""

    setup: Setup
    background: Background
    arrival: Move | None


@dataclass(frozen=True)
class Stands:
    """The parts of a clip in order of time, at least one, and what is to be said about the moves between them."""

    parts: tuple[Stand, ...]
    warnings: tuple[str, ...]


def first_stand(clip: Clip, table: str, head: str | None, corners_px: Vector | None = None) -> tuple[Setup, Frame]:
    """The camera of a clip before it was first moved, if it was, and a still from then."""
    stills = _stills(clip, None, next(iter(find_moves(clip)), None))
    return _registered(clip, stills, table, head, corners_px), stills[0]


def learn_stands(
    clip: Clip, table: str, head: str | None, setup: Setup | None, corners_px: Vector | None = None
) -> Stands:
    """Find the moves of a clip's camera, and learn the camera and the empty table before and after each.

    Raises InputError when no table is seen in the first part, or a saved ``setup`` does not fit it.
    """
    moves = find_moves(clip)
    most = max(MOVES_AT_LEAST, MOST_MOVES_PER_MIN * clip.duration_s / 60) if np.isfinite(clip.duration_s) else np.inf
    warnings = []
    if len(moves) > most:
        warnings.append("camera never stood still; all was measured with the camera of the beginning")
        moves = moves[:1]
    stills = _stills(clip, None, moves[0] if moves else None)
    if setup is None:
        setup = _registered(clip, stills, table, head, corners_px)
    else:
        _check_saved(clip, stills, setup)
    parts = [Stand(setup, learn_background(stills, setup.camera, setup.table), None)]
    if warnings:
        return Stands(tuple(parts), tuple(warnings))
    for k, move in enumerate(moves):
        stills = _stills(clip, move, moves[k + 1] if k + 1 < len(moves) else None)
        setup, word = _again(clip, stills, setup, move)
        background = learn_background(stills, setup.camera, setup.table) if stills else parts[-1].background
        parts.append(Stand(setup, background, move))
        warnings.append(f"camera moved {'slowly until' if move.slow else 'at'} {move.until_s:.1f} s; {word}")
    return Stands(tuple(parts), tuple(warnings))


def _again(clip: Clip, stills: Sequence[Frame], before: Setup, move: Move) -> tuple[Setup, str]:
    """The camera after a move, and how it was found."""
    try:
        found = register(
            [s.bgr() for s in stills], rotation_deg=clip.rotation_deg, table=before.table, head=before.head
        )
        return found, "registered again"
    except InputError:
        # Somebody stands in the view for all of a short part: the picture's shift tells the turn all the same.
        if np.isfinite(move.shift_px).all():
            return replace(before, camera=turned(before.camera, move.shift_px)), "followed by the picture's shift"
        return before, "the table was not found again, what follows is not to be trusted"


def _stills(clip: Clip, arrival: Move | None, departure: Move | None) -> list[Frame]:
    nan = float("nan")
    return clip.stills(STILLS, arrival.until_s if arrival else nan, departure.from_s if departure else nan)


def stored_px(upright_px: Vector, clip: Clip) -> Vector:
    """Pixels (n, 2) of the upright picture as pixels of the stored one."""
    right, down = clip.width - 1, clip.height - 1
    u, v = upright_px[:, 0], upright_px[:, 1]
    stored = {0: (u, v), 90: (v, down - u), 180: (right - u, down - v), 270: (right - v, u)}
    return np.column_stack(stored[clip.rotation_deg])


def _registered(clip: Clip, stills: Sequence[Frame], table: str, head: str | None, corners_px: Vector | None) -> Setup:
    if not stills:
        raise InputError(f"{clip.path}: not one frame of the film can be decoded; copy it anew.")
    known = None if table == "auto" else standard_table(table)
    try:
        return register(
            [s.bgr() for s in stills],
            rotation_deg=clip.rotation_deg,
            table=known,
            head=head,
            corners_px=None if corners_px is None else stored_px(corners_px, clip),
        )
    except InputError as error:
        raise InputError(f"{clip.path}: {error}") from error


def _check_saved(clip: Clip, stills: Sequence[Frame], setup: Setup) -> None:
    """Refuse a saved camera that does not fit what the film shows."""
    check = check_setup([s.bgr() for s in stills[::2]], setup)
    if not check.agrees:
        raise InputError(
            f"{clip.path}: the saved camera does not fit this film, {check.why}; "
            "register it anew with 'railpoint setup'."
        )
