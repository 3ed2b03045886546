"""A clip in, a reading out: the whole of vision in order, one frame at a time."""

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.accuracy import place_sd_m
from calibration.camera import Setup
from calibration.still import draw_setup
from calibration.table import Vector
from vision.balls import BallFinder
from vision.balls_lain import BallsLain
from vision.film.clip import Clip, open_clip
from vision.flags import known
from vision.looks import Looks
from vision.mixed_reading import MixedReading
from vision.no_attempt.disturbances import Disturbances
from vision.no_attempt.knocked_back import without_knocked_back
from vision.place_error import PlaceError
from vision.placement import Lay, place_attempts
from vision.reading import Attempt, CameraFacts, ClipFacts, NotAttempt, Reading
from vision.rhythm.film_warnings import film_warnings
from vision.rhythm.readout import timed_by_rows
from vision.rhythm.repeats import Repeats
from vision.rhythm.shown_again import ShownAgain
from vision.rhythm.woven import Woven
from vision.shot import Shot
from vision.sorting import Tried, sort_tries, sorted_reading, try_shots
from vision.stands import Stand, learn_stands, longest_stand
from vision.strokes import name_balls
from vision.tracks import Tracker
from vision.white_balls import find_strokes_of_white

# The film is taken to pieces where nothing has moved for this long and the cue ball lies still.
QUIET_S = 1.5
# A longer stretch without such a moment is cut all the same, so that memory stays bounded.
LONGEST_STRETCH_S = 120.0
# A camera that sags is changed for the next one when no ball has moved for this long, or after that long all the same.
CALM_S, LONGEST_WAIT_S = 0.5, 15.0
# Progress is told this often, in frames.
PROGRESS_FRAMES = 15

Progress = Callable[[float], None]


def setup_clip(
    path: Path, *, table: str = "auto", head: str | None = None, corners_px: Vector | None = None
) -> tuple[Setup, NDArray[np.uint8]]:
    """Register the camera of a clip: the setup, and an upright still (h, w, 3) BGR with the model drawn over it.

    ``corners_px`` (4, 2) says where the nose lines would meet, in pixels of the upright picture, in order round the
    table, if the table is not found by itself; a few pixels off is near enough.
    Raises InputError when the film cannot be read or shows no table, or when ``table`` or ``head`` contradict it.
    """
    with open_clip(path) as clip:
        setup, still = longest_stand(clip, table, head, corners_px)
        return setup, draw_setup(still.bgr(), setup, rotation_deg=clip.rotation_deg)


def read_clip(
    path: Path,
    shot: Shot,
    *,
    table: str = "auto",
    head: str | None = None,
    corners_px: Vector | None = None,
    setup: Setup | None = None,
    readout_s: float | None = None,
    progress: Progress | None = None,
) -> Reading:
    """Find and measure every attempt at a shot in a clip.

    Parameters
    ----------
    path : the film.
    shot : what was drilled.
    table, head, corners_px : as for ``setup_clip``; used when no ``setup`` is given.
    setup : a camera registered before.
    readout_s : seconds from the first row of the stored picture to the last, by which the sensor reads them one after
        the other, negative from the last to the first; without it that of ``setup``, or none is known.
    progress : called now and then with the fraction done, 0 to 1.

    Raises
    ------
    InputError : the film cannot be read, shows no table, or does not fit ``table``, ``head`` or ``setup``.
    """
    whole, tries, setup = _read(path, (shot,), table, head, corners_px, setup, readout_s, progress, or_none=False)
    return _placed(replace(whole, attempts=tuple(t.by_shot[0] for t in tries)), [t.lay for t in tries], setup)


def read_mixed_clip(
    path: Path,
    shots: Sequence[Shot],
    *,
    table: str = "auto",
    head: str | None = None,
    corners_px: Vector | None = None,
    setup: Setup | None = None,
    readout_s: float | None = None,
    progress: Progress | None = None,
) -> MixedReading:
    """As ``read_clip``, for a clip of several drills: every attempt is measured by the shot that it was a try at.

    Raises InputError as ``read_clip`` does.
    """
    whole, tries, setup = _read(path, shots, table, head, corners_px, setup, readout_s, progress, or_none=True)
    mixed, lays = sorted_reading(whole, tries, sort_tries(tries, shots, setup.table), shots)
    return replace(mixed, readings=tuple(_placed(r, mine, setup) for r, mine in zip(mixed.readings, lays, strict=True)))


def _placed(reading: Reading, lays: Sequence[Lay], setup: Setup) -> Reading:
    def registered_sd_m(at_m: Vector) -> float:
        # Nothing is known of a camera without a covariance: the balls' own part is told alone.
        return float(np.nan_to_num(place_sd_m(setup, at_m[None])[0]))

    return replace(reading, attempts=tuple(place_attempts(reading.attempts, lays, reading.shot, registered_sd_m)))


def _read(
    path: Path,
    shots: Sequence[Shot],
    table: str,
    head: str | None,
    corners_px: Vector | None,
    setup: Setup | None,
    readout_s: float | None,
    progress: Progress | None,
    *,
    or_none: bool,
) -> tuple[Reading, list[Tried], Setup]:
    """The reading but for its attempts, and every stroke measured by each of the shots, ``or_none`` of them."""
    if readout_s is None and setup is not None:
        readout_s = setup.readout_s
    with open_clip(path) as clip:
        automatic = setup is None and corners_px is None
        stands = learn_stands(clip, table, head, setup, corners_px)
        shown, woven, found = ShownAgain(), Woven(), None
        with _one_thread(), _nothing_gone_through_twice():
            while found is None:
                clip.woven = woven.learnt
                readout = readout_s or 0.0
                found = _read_frames(clip, stands.parts, shots, readout, progress, shown, woven, or_none=or_none)
        strokes, others, repeats, lain = found
        why = lain.why_no_stroke(clip.last_s - clip.first_s) if not strokes else None
        tries, sent_back = without_knocked_back(strokes, shots)
        setup = stands.setup
        camera = setup.camera
        whole = Reading(
            reader=version("railpoint"),
            shot=shots[0],
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
                complete=clip.whole,
            ),
            camera=CameraFacts(
                residual_px=camera.residual_px,
                mm_per_px=camera.mm_per_px(setup.table),
                automatic=automatic,
                common_bearing_sd_rad=max(s.setup.camera.common_bearing_sd_rad(s.setup.table) for s in stands.parts),
                readout_s=readout_s,
            ),
            attempts=(),
            not_attempts=tuple(sorted([*others, *sent_back], key=lambda move: move.t_s)),
            warnings=(*stands.warnings, *film_warnings(clip, repeats, shown), *([why] if why else ())),
        )
        return whole, tries, setup


@contextmanager
def _one_thread() -> Iterator[None]:
    """OpenCV without threads of its own: frames at their reduced size gain nothing by them, and the other cores are
    busy decoding."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


@contextmanager
def _nothing_gone_through_twice() -> Iterator[None]:
    """Objects that are there already are left out when Python looks for cycles that nothing holds any more: a reading
    makes so many small ones that all of a program's modules would be gone through again and again."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def _read_frames(
    clip: Clip,
    stands: Sequence[Stand],
    shots: Sequence[Shot],
    readout_s: float,
    progress: Progress | None,
    shown: ShownAgain,
    woven: Woven,
    *,
    or_none: bool,
) -> tuple[list[Tried], list[NotAttempt], Repeats, BallsLain] | None:
    """Strokes, other moves, which pictures showed the one before once more, and what balls lay there.

    None when the film turned out to show its pictures several times over, or to be woven of two moments a picture:
    ``shown`` or ``woven`` knows that then, for the next time.
    """
    camera, table = stands[0].setup.camera, stands[0].setup.table
    finder = BallFinder(stands[0].background, camera, table)
    tracker = Tracker(finder.plane, table)
    looks = Looks(tracker)
    coming = list(stands[1:])
    moves: list[tuple[float, float]] = []
    tries: list[Tried] = []
    disturbances = Disturbances(table)
    taken_apart_s = float("nan")
    lain = BallsLain()

    def take_apart(until_s: float) -> None:
        as_taken = looks.repeats.evened(tracker.tracks)
        balls = timed_by_rows(name_balls(as_taken), tracker.plane, readout_s)
        lain.take(balls)
        missing = looks.repeats.missing(taken_apart_s)
        # The last row of the last picture is seen that much later; times put back may end later than the film's.
        ends_s = max([until_s + max(readout_s, 0.0), *(ball.path[-1].time_s for ball in balls if ball.path)])
        strokes, others = find_strokes_of_white(balls, table, ends_s)
        for stroke in strokes:
            tried = try_shots(stroke, shots, PlaceError(tracker.plane.camera, table), or_none=or_none)
            by_shot = tuple(_flagged(a, moves, missing) for a in tried.by_shot)
            plain = None if tried.plain is None else _flagged(tried.plain, moves, missing)
            tries.append(replace(tried, by_shot=by_shot, plain=plain))
        disturbances.take(balls, strokes, others, until_s)
        tracker.forget_history(as_taken)
        looks.repeats.forget()

    now, known = float("nan"), (shown.learnt, woven.learnt)
    shown.begin()
    for frame in clip.frames():
        now = frame.time_s
        if not np.isfinite(taken_apart_s):
            taken_apart_s = now
            disturbances.begin(now)
        while coming and _arrived(coming[0], now, tracker):
            # The tracks are in metres and go on; only how the picture is read changes.
            stand = coming.pop(0)
            finder = BallFinder(stand.background, stand.setup.camera, table)
            looks.forget()
            tracker.plane = finder.plane
            if stand.arrival is not None:
                sagged = stand.arrival.slow and not stand.arrival.drift
                moves.append((now if sagged else stand.arrival.from_s, now))
        again = shown.times != 1 and shown.again(finder.luma(frame))
        if woven.learning and not tracker.calm():
            # While all is calm most frames are not even reduced.
            woven.take(frame, finder.luma(frame), finder.background.reduction)
        if (shown.learnt, woven.learnt) != known:
            return None
        if again:
            looks.repeats.pass_over(now)
        elif not _moving(coming, now):
            looks.take(frame, finder)
        settled = tracker.quiet(QUIET_S) and tracker.last_motion_s > taken_apart_s
        if settled or now - taken_apart_s > LONGEST_STRETCH_S:
            take_apart(now)
            taken_apart_s = now
        if progress is not None and clip.frames_read % PROGRESS_FRAMES == 0 and clip.duration_s > 0:
            progress(min((now - clip.first_s) / clip.duration_s, 1.0))
    take_apart(now)
    if progress is not None:
        progress(1.0)
    return tries, disturbances.told(looks.visits.told), looks.repeats, lain


def _arrived(stand: Stand, now_s: float, tracker: Tracker) -> bool:
    """Whether the next camera is to be used from this frame on."""
    move = stand.arrival
    if move is None or now_s < move.until_s:
        return False
    return not move.slow or tracker.quiet(CALM_S) or now_s > move.until_s + LONGEST_WAIT_S


def _moving(coming: Sequence[Stand], now_s: float) -> bool:
    """Whether the camera is being moved in this frame, which then tells nothing."""
    move = coming[0].arrival if coming else None
    return move is not None and not move.slow and move.from_s < now_s < move.until_s


def _flagged(found: Attempt, moves: Sequence[tuple[float, float]], missing: float) -> Attempt:
    """The attempt, with a flag when the camera was moved between its strike and the last that was seen of it, and one
    when a share of the film's pictures is ``missing`` there without its times telling of it."""
    until_s = float(found.path_m[-1, 0])
    if any(to_s > found.t_s and from_s < until_s for from_s, to_s in moves):
        found = replace(found, flags=known([*found.flags, "camera_moved"]))
    if missing:
        # The others may be shown at their own rate, or spread over the time of all.
        unsure_mps = float(np.hypot(found.speed_sd_mps, missing * found.speed_mps))
        found = replace(found, speed_sd_mps=unsure_mps, flags=known([*found.flags, "pictures_missing"]))
    return found
