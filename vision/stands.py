"""Where the camera stood, part by part: a clip is cut where its camera was moved, and each part has its own camera.

All that is learnt from stills (the camera, the empty table) is learnt before the film is read through, from stills of
the part that it is for.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Setup
from calibration.cloth import Picture
from calibration.errors import InputError
from calibration.median import median_of
from calibration.register import register
from calibration.setup_check import check_setup
from calibration.table import Vector, standard_table
from vision.background import Background, learn_background
from vision.film.clip import Clip, Frame
from vision.picture_shift import Shift
from vision.steadiness import Move, find_moves, turned

# Stills from which the camera and the empty table are learnt.
STILLS = 16
# Of pictures larger than this every other one will do for the camera, of which all would take too much memory.
LARGE_PX = 5_000_000
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
    """The parts of a clip in order of time, at least one, and what is to be said about the moves between them.

    ``setup`` is that of the longest part, which told the table.
    """

    setup: Setup
    parts: tuple[Stand, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Part:
    """A part of a clip in which the camera stood still: from and until when, and stills spread over it."""

    from_s: float
    until_s: float
    stills: tuple[Frame, ...]


def longest_part(clip: Clip) -> Part:
    """Where the camera of a clip stood longest."""
    moves = find_moves(clip)
    part = _by_length(clip, moves)[0]
    from_s = moves[part - 1].until_s if part else clip.start_s
    until_s = moves[part].from_s if part < len(moves) else clip.start_s + clip.duration_s
    return Part(from_s, until_s, tuple(_stills(clip, moves, part)))


def register_part(clip: Clip, part: Part, table: str, head: str | None, corners_px: Vector | None = None) -> Setup:
    """The camera in a part of a clip; ``corners_px`` are pixels of the upright picture. Raises InputError."""
    return _registered(clip, part.stills, table, head, corners_px)


def longest_stand(clip: Clip, table: str, head: str | None, corners_px: Vector | None = None) -> tuple[Setup, Frame]:
    """The camera of a clip where it stood longest, and a still from then."""
    part = longest_part(clip)
    return register_part(clip, part, table, head, corners_px), part.stills[0]


def learn_stands(
    clip: Clip, table: str, head: str | None, setup: Setup | None, corners_px: Vector | None = None
) -> Stands:
    """Find the moves of a clip's camera, and learn the camera and the empty table before and after each.

    The longest part tells the table, the others are registered with that; so a phone that is still being put up when
    the film begins does no harm. Raises InputError when no table is seen there, or a saved ``setup`` fits no part.
    """
    moves = find_moves(clip)
    most = max(MOVES_AT_LEAST, MOST_MOVES_PER_MIN * clip.duration_s / 60)
    if len(moves) > most:
        stands = _learn(clip, [], table, head, setup, corners_px)
        return replace(stands, warnings=("camera never stood still; all was measured with one mean camera",))
    return _learn(clip, moves, table, head, setup, corners_px)


def _learn(
    clip: Clip,
    moves: Sequence[Move],
    table: str,
    head: str | None,
    setup: Setup | None,
    corners_px: Vector | None,
) -> Stands:
    order = _by_length(clip, moves)
    if setup is None:
        anchor = order[0]
        stills = _stills(clip, moves, anchor)
        setup = _registered(clip, stills, table, head, corners_px)
    else:
        anchor, stills = _fitting(clip, moves, order, setup)
    background = learn_background(stills, setup.camera, setup.table)
    parts = {anchor: Stand(setup, background, moves[anchor - 1] if anchor else None)}
    words: list[str] = [""] * len(moves)
    # From the anchor to the end, then from the anchor back to the beginning: each part from its neighbour.
    for k in [*range(anchor + 1, len(moves) + 1), *range(anchor - 1, -1, -1)]:
        neighbour, move = (parts[k - 1], moves[k - 1]) if k > anchor else (parts[k + 1], moves[k])
        stills = _stills(clip, moves, k)
        shift_px = move.shift_px if k > anchor else -move.shift_px
        found, words[k - 1 if k > anchor else k] = _again(clip, stills, neighbour.setup, shift_px)
        background = learn_background(stills, found.camera, found.table) if stills else neighbour.background
        parts[k] = Stand(found, background, moves[k - 1] if k else None)
    warnings = [
        f"camera moved {'slowly until' if move.slow else 'at'} {move.until_s:.1f} s; {word}"
        for move, word in zip(moves, words, strict=True)
    ]
    return Stands(setup, tuple(parts[k] for k in sorted(parts)), tuple(warnings))


def _by_length(clip: Clip, moves: Sequence[Move]) -> list[int]:
    """The parts between moves, by number, the longest first."""
    begins = [clip.start_s, *(m.until_s for m in moves)]
    ends = [*(m.from_s for m in moves), clip.start_s + clip.duration_s]
    return sorted(range(len(begins)), key=lambda k: begins[k] - ends[k])


def _fitting(clip: Clip, moves: Sequence[Move], order: Sequence[int], setup: Setup) -> tuple[int, list[Frame]]:
    """The longest part that a saved camera fits, and its stills. Raises InputError when there is none."""
    why = ""
    for k in order:
        stills = _stills(clip, moves, k)
        check = check_setup([_usual(stills[::2]).bgr()] if stills else [], setup)
        if check.agrees:
            return k, stills
        why = why or check.why
    raise InputError(
        f"{clip.path}: the saved camera does not fit this film, {why}; register it anew with 'railpoint setup'."
    )


def _pictures(stills: Sequence[Frame]) -> list[Picture]:
    """The stills from which a camera is found, in BGR."""
    return [still.bgr() for still in (stills[::2] if stills and stills[0].y.size > LARGE_PX else stills)]


def _usual(stills: Sequence[Frame]) -> Frame:
    """What most stills show, place by place: the median of planes takes half the time of that of colour pictures."""
    y, u, v = (median_of(planes) for planes in zip(*((s.y, s.u, s.v) for s in stills), strict=True))
    return replace(stills[0], y=y, u=u, v=v)


def _again(clip: Clip, stills: Sequence[Frame], other: Setup, shift_px: Shift) -> tuple[Setup, str]:
    """The camera on one side of a move, given that on the other, and how it was found."""
    try:
        found = register(_pictures(stills), rotation_deg=clip.rotation_deg, table=other.table, head=other.head)
        return found, "registered again"
    except InputError:
        # Somebody stands in the view for all of a short part: the picture's shift tells the turn all the same.
        if np.isfinite(shift_px).all():
            return replace(other, camera=turned(other.camera, shift_px)), "followed by the picture's shift"
        return other, "the table was not found on one side of it, what was read there is not to be trusted"


def _stills(clip: Clip, moves: Sequence[Move], part: int) -> list[Frame]:
    nan = float("nan")
    from_s = moves[part - 1].until_s if part else nan
    until_s = moves[part].from_s if part < len(moves) else nan
    return clip.stills(STILLS, from_s, until_s)


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
            _pictures(stills),
            rotation_deg=clip.rotation_deg,
            table=known,
            head=head,
            corners_px=None if corners_px is None else stored_px(corners_px, clip),
        )
    except InputError as error:
        raise InputError(f"{clip.path}: {error}") from error
