"""A clip in, a reading out: the whole of vision in order, one frame at a time."""

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Setup
from calibration.errors import InputError
from calibration.register import register
from calibration.setup_check import check_setup
from calibration.still import draw_setup
from calibration.table import standard_table
from vision.background import learn_background
from vision.balls import BallFinder
from vision.clip import Clip, Frame, open_clip
from vision.outcome import attempt
from vision.reading import Attempt, CameraFacts, ClipFacts, NotAttempt, Reading
from vision.shot import Shot
from vision.strokes import find_strokes, name_balls
from vision.tracks import Tracker

# Stills from which the camera and the empty table are learnt.
STILLS = 16
# The film is taken to pieces where nothing has moved for this long and the cue ball lies still.
QUIET_S = 1.5
# A longer stretch without such a moment is cut all the same, so that memory stays bounded.
LONGEST_STRETCH_S = 120.0
# Progress is told this often, in frames.
PROGRESS_FRAMES = 15

Progress = Callable[[float], None]


def setup_clip(path: Path, *, table: str = "auto", head: str | None = None) -> tuple[Setup, NDArray[np.uint8]]:
    """Register the camera of a clip: the setup, and an upright still (h, w, 3) BGR with the model drawn over it.

    Raises InputError when the film cannot be read or shows no table, or when ``table`` or ``head`` contradict it.
    """
    with open_clip(path) as clip:
        stills = clip.stills(STILLS)
        setup = _registered(clip, stills, table, head)
        return setup, draw_setup(stills[0].bgr(), setup, rotation_deg=clip.rotation_deg)


def read_clip(
    path: Path,
    shot: Shot,
    *,
    table: str = "auto",
    head: str | None = None,
    setup: Setup | None = None,
    progress: Progress | None = None,
) -> Reading:
    """Find and measure every attempt at a shot in a clip.

    Parameters
    ----------
    path : the film.
    shot : what was drilled.
    table, head : as for ``setup_clip``; used when no ``setup`` is given.
    setup : a camera registered before.
    progress : called now and then with the fraction done, 0 to 1.

    Raises
    ------
    InputError : the film cannot be read, shows no table, or does not fit ``table``, ``head`` or ``setup``.
    """
    with open_clip(path) as clip:
        stills = clip.stills(STILLS)
        automatic = setup is None
        if setup is None:
            setup = _registered(clip, stills, table, head)
        else:
            _check_saved(clip, stills, setup)
        attempts, others = _read_frames(clip, stills, setup, shot, progress)
        camera = setup.camera
        return Reading(
            reader=version("railpoint"),
            shot=shot,
            table_name=setup.table.name,
            table_length_m=setup.table.length_m,
            table_width_m=setup.table.width_m,
            head=setup.head,
            clip=ClipFacts(
                frames=clip.frames_read,
                frames_lost=clip.frames_lost,
                duration_s=clip.last_s - clip.first_s,
                width=clip.width,
                height=clip.height,
                complete=clip.complete,
            ),
            camera=CameraFacts(
                residual_px=camera.residual_px,
                mm_per_px=camera.mm_per_px(setup.table),
                automatic=automatic,
                common_bearing_sd_rad=camera.common_bearing_sd_rad(setup.table),
            ),
            attempts=tuple(attempts),
            not_attempts=tuple(others),
            warnings=_warnings(clip),
        )


def _registered(clip: Clip, stills: list[Frame], table: str, head: str | None) -> Setup:
    if not stills:
        raise InputError(f"{clip.path}: not one frame of the film can be decoded; copy it anew.")
    known = None if table == "auto" else standard_table(table)
    try:
        return register([s.bgr() for s in stills], rotation_deg=clip.rotation_deg, table=known, head=head)
    except InputError as error:
        raise InputError(f"{clip.path}: {error}") from error


def _check_saved(clip: Clip, stills: list[Frame], setup: Setup) -> None:
    """Refuse a saved camera that does not fit what the film shows."""
    check = check_setup([s.bgr() for s in stills[::2]], setup)
    if not check.agrees:
        raise InputError(
            f"{clip.path}: the saved camera does not fit this film, {check.why}; "
            "register it anew with 'railpoint setup'."
        )


def _read_frames(
    clip: Clip, stills: list[Frame], setup: Setup, shot: Shot, progress: Progress | None
) -> tuple[list[Attempt], list[NotAttempt]]:
    camera, table = setup.camera, setup.table
    finder = BallFinder(learn_background(stills, camera, table), camera, table)
    tracker = Tracker(camera, table)
    attempts: list[Attempt] = []
    others: list[NotAttempt] = []
    mm_per_px = camera.mm_per_px(table)
    taken_apart_s = float("nan")

    def take_apart(until_s: float) -> None:
        strokes, rest = find_strokes(name_balls(tracker.tracks), table, until_s)
        attempts.extend(attempt(s, shot, table, mm_per_px) for s in strokes)
        others.extend(rest)
        tracker.forget_history()

    now = float("nan")
    for frame in clip.frames():
        now = frame.time_s
        if not np.isfinite(taken_apart_s):
            taken_apart_s = now
        tracker.update(finder.find(frame, tracker.expected(now)))
        settled = tracker.quiet(QUIET_S) and tracker.last_motion_s > taken_apart_s
        if settled or now - taken_apart_s > LONGEST_STRETCH_S:
            take_apart(now)
            taken_apart_s = now
        if progress is not None and clip.frames_read % PROGRESS_FRAMES == 0 and clip.duration_s > 0:
            progress(min((now - clip.first_s) / clip.duration_s, 1.0))
    take_apart(now)
    if progress is not None:
        progress(1.0)
    return attempts, others


def _warnings(clip: Clip) -> tuple[str, ...]:
    out = []
    if not clip.complete:
        out.append(f"the film ends at {clip.last_s:.1f} s, before its stated end; what was read is kept")
    if clip.frames_lost:
        out.append(f"{clip.frames_lost} frames could not be decoded and were left out")
    return tuple(out)
