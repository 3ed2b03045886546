"""From logged attempts to the lines that a player delivered, beside what was aimed at and beside what was needed.

For banks all is told of the cue ball's line. The object ball's is what the camera measures well, and a degree of the
cue ball's turns it by several: so its deviation is carried back through the cut, exactly, and its standard deviation
divided. Throw turns the object ball's line as well; what is alike from try to try goes into the offset, what is not
into the spread.
"""

from collections.abc import Sequence
from math import isfinite, nan, radians

import numpy as np
from numpy.typing import NDArray

from app.fitting.lines import expand, jacobian, needed_bearings
from app.margins.shot_margins import image_m, margins
from app.margins.through_cut import CutMargins, through_cut
from app.store.logged import LoggedAttempt
from app.stroke.aim import Aim, family_of
from app.stroke.delivered import Delivered
from calibration.table import Table, Vector
from vision.shot import Shot

# A line farther from the stated one than this was at something else, or at nothing.
ANOTHER_RAD = radians(20)
FAR_OFF = "a line over 20° from the one aimed on"
OUT_OF_REACH = "a line aimed on that the cut does not allow from there"
# One point for all lines is looked for from so many on; steps in radians and one over metre.
FEWEST_FOR_POINT, MOST_STEPS, MOST_STEP = 4, 40, 0.3
# Lines over so many sds from it are held back.
HELD_BACK = 2.0


def lines_of_attempts(shot: Shot, table: Table, attempts: Sequence[LoggedAttempt], aim: Aim | None = None) -> Delivered:
    """The lines of ``attempts`` (one player's, at ``shot``), beside the line to ``aim``; without one, beside the lines
    to the one point (near, far, or behind) that suits them best: for three lines and fewer the ideal image of the
    target, or their own mean direction.

    Attempts on tables of another size, without a measured line or start, or on a line far from the stated one are
    ``unused``, with the reason.
    """
    used, unused = _usable(shot, table, attempts)
    start = np.array([a.attempt.start_m for a in used], dtype=float).reshape(-1, 2)
    line = np.array([a.attempt.bearing_rad for a in used], dtype=float)
    image = image_m(shot, table)
    needed = np.full(len(used), nan)
    ideal = np.array([_middle(line), 0.0])
    if image is not None:
        ideal = family_of(image, table)
        needed = needed_bearings(ideal, start - table.centre_m)
    family = aim.family_about(table) if aim is not None else _best_family(start - table.centre_m, line, ideal)
    stated = needed_bearings(family, start - table.centre_m)
    near = np.abs(_wrapped(line - stated)) <= ANOTHER_RAD
    unused += [(a, FAR_OFF) for a, n in zip(used, near, strict=True) if not n]
    if shot.kind == "bank" and len(used):
        cue = np.array([a.attempt.cue_start_m for a in used], dtype=float)
        can = np.isfinite(through_cut(cue, start, stated, start[:, 0], start[:, 0], table).bearing_rad)
        unused += [(a, OUT_OF_REACH) for a, n, c in zip(used, near, can, strict=True) if n and not c]
        near &= can
    kept = [a for a, n in zip(used, near, strict=True) if n]
    return _built(shot, table, kept, family, ideal, stated[near], needed[near], tuple(unused))


def _best_family(start_m: Vector, line_rad: Vector, begin: Vector) -> Vector:
    """Least squares of the lines (n,) from starts (n, 2) about the table's centre, from ``begin`` (2,), with lines far
    from the others held back (Huber's weights); ``begin`` where there are too few, or it does not settle."""
    family = begin.copy()
    if len(line_rad) < FEWEST_FOR_POINT:
        return family
    for _ in range(MOST_STEPS):
        off, columns = expand(family, start_m, line_rad)
        scale = max(HELD_BACK * 1.4826 * float(np.median(np.abs(off))), 1e-9)
        root = np.sqrt(1 / np.maximum(np.abs(off) / scale, 1.0))
        step = np.linalg.lstsq(root[:, None] * columns, root * off, rcond=1e-6)[0]
        family = family + np.clip(step, -MOST_STEP, MOST_STEP)
        if float(np.abs(step).max()) < 1e-8:
            return family
    return begin


def _built(
    shot: Shot,
    table: Table,
    used: list[LoggedAttempt],
    family: Vector,
    ideal: Vector,
    stated_rad: Vector,
    needed_rad: Vector,
    unused: tuple[tuple[LoggedAttempt, str], ...],
) -> Delivered:
    tried = [a.attempt for a in used]
    start = np.array([a.start_m for a in tried], dtype=float).reshape(-1, 2)
    cue = np.array([a.cue_start_m for a in tried], dtype=float).reshape(-1, 2)
    line = np.array([a.bearing_rad for a in tried], dtype=float)
    sd = np.nan_to_num(np.array([a.bearing_sd_rad for a in tried], dtype=float))
    miss, miss_sd, worth = (
        np.array([getattr(a, name) for a in tried], dtype=float) for name in ("miss_m", "miss_sd_m", "miss_per_rad_m")
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        missed_by = np.where(worth != 0, miss / worth, nan)
        missed_sd = np.nan_to_num(np.abs(miss_sd / worth))
    measured = np.isfinite(missed_by) & (np.abs(missed_by) < ANOTHER_RAD)
    error = np.where(measured, missed_by, _wrapped(line - needed_rad))
    error_sd = np.where(measured, missed_sd, sd)
    found = margins(shot, table, start) if len(used) else None
    nothing = np.full(len(used), nan)
    left, right = (nothing, nothing) if found is None else (found.left_rad, found.right_rad)
    if found is not None:
        left, right = np.where(found.possible, left, nan), np.where(found.possible, right, nan)
    magnified = np.ones(len(used))
    away = start - table.centre_m
    usual = _best_family(away[measured], (line - error)[measured], ideal)
    usual_rad = needed_bearings(usual, away)
    deviation, between = _wrapped(line - stated_rad), _wrapped(usual_rad - stated_rad)
    turn = np.nan_to_num(np.array([a.common_bearing_sd_rad for a in used], dtype=float))
    if shot.kind == "bank":

        def carried(object_rad: Vector) -> Vector:
            return through_cut(cue, start, object_rad, nothing, nothing, table).bearing_rad

        # The needed line where there is one; a shot without a target still has the lines it was sent on.
        about = np.where(np.isfinite(needed_rad), needed_rad, line)
        cut: CutMargins = through_cut(cue, start, about, left, right, table)
        there = carried(line)
        deviation = _wrapped(there - carried(stated_rad))
        between = _wrapped(carried(usual_rad) - carried(stated_rad))
        error = _wrapped(there - carried(line - error))
        magnified, left, right = cut.magnified, cut.left_rad, cut.right_rad
        slope = np.abs(through_cut(cue, start, line, nothing, nothing, table).magnified)
        sd, error_sd, turn = sd / slope, error_sd / slope, turn / slope
    ahead = np.array([np.cos(family[0]), np.sin(family[0])])
    sessions = [(a.session_id, a.clip) for a in used]
    return Delivered(
        attempts=tuple(used),
        start_m=start,
        deviation_rad=deviation,
        sd_rad=sd,
        error_rad=error,
        error_sd_rad=error_sd,
        measured=measured,
        magnified=magnified,
        left_rad=left,
        right_rad=right,
        usual_less_stated_rad=between,
        session=_numbers(sessions),
        run=_runs(used),
        turn_sd_rad=turn,
        nearer_m=jacobian(family, away)[:, 1],
        usual_nearer_m=jacobian(usual, away)[:, 1],
        along_m=away @ ahead,
        unused=unused,
    )


def _usable(
    shot: Shot, table: Table, attempts: Sequence[LoggedAttempt]
) -> tuple[list[LoggedAttempt], list[tuple[LoggedAttempt, str]]]:
    used: list[LoggedAttempt] = []
    unused: list[tuple[LoggedAttempt, str]] = []
    for logged in sorted(attempts, key=lambda a: (a.session_id, a.at, a.id)):
        a = logged.attempt
        why = ""
        if abs(logged.table.length_m - table.length_m) > 0.01 or abs(logged.table.width_m - table.width_m) > 0.01:
            why = "on a table of another size"
        elif not isfinite(a.bearing_rad):
            why = "no measured line"
        elif not np.isfinite(a.start_m).all():
            why = "no measured start"
        elif shot.kind == "bank" and not np.isfinite(a.cue_start_m).all():
            why = "no measured place of the cue ball"
        elif shot.kind == "bank" and not _can_be_sent(a.cue_start_m, a.start_m, a.bearing_rad, table):
            why = "a line that the cut does not allow from there"
        if why:
            unused.append((logged, why))
        else:
            used.append(logged)
    return used, unused


def _can_be_sent(cue_m: Vector, ball_m: Vector, line_rad: float, table: Table) -> bool:
    one = np.array([line_rad])
    sent = through_cut(np.asarray(cue_m)[None], np.asarray(ball_m)[None], one, np.zeros(1), np.zeros(1), table)
    return bool(np.isfinite(sent.bearing_rad[0]))


def _runs(used: Sequence[LoggedAttempt]) -> NDArray[np.int_]:
    """Numbers of runs: tries of one session and clip, each within a ball's width of the run's first."""
    out = np.zeros(len(used), dtype=int)
    first = None
    for k, now in enumerate(used):
        same = first is not None and (first.session_id, first.clip) == (now.session_id, now.clip)
        near_m = 2 * now.table.ball_radius_m
        if first is not None and same:
            places = (
                (first.attempt.start_m, now.attempt.start_m),
                (first.attempt.cue_start_m, now.attempt.cue_start_m),
            )
            same = all(not np.hypot(*(np.asarray(b) - np.asarray(a))) > near_m for a, b in places)
        if not same:
            first = now
        out[k] = out[k - 1] + (not same) if k else 0
    return out


def _numbers(keys: Sequence[tuple[int, str]]) -> NDArray[np.int_]:
    order = {key: k for k, key in enumerate(dict.fromkeys(keys))}
    return np.array([order[key] for key in keys], dtype=int)


def _middle(angle_rad: Vector) -> float:
    return float(np.arctan2(np.mean(np.sin(angle_rad)), np.mean(np.cos(angle_rad)))) if len(angle_rad) else 0.0


def _wrapped(angle_rad: Vector) -> Vector:
    wrapped: Vector = (angle_rad + np.pi) % (2 * np.pi) - np.pi
    return wrapped
