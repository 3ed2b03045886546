"""The lines that a player delivered at one shot, as the cue ball's: beside a stated line, beside the one needed, and
the margins there.

For banks all is told of the cue ball's line. The object ball's is what the camera measures well, and a degree of the
cue ball's turns it by several (``magnified``): so its deviation is carried back through the cut, exactly, and its
standard deviation divided. Throw turns the object ball's line as well; what is alike from try to try goes into the
offset, what is not into the spread.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, radians

import numpy as np
from numpy.typing import NDArray

from app.margins.shot_margins import image_m, margins
from app.margins.through_cut import CutMargins, through_cut
from app.store.log_views import LoggedAttempt
from app.stroke.aim import Aim
from app.stroke.spread import Lines
from calibration.table import Table, Vector
from vision.shot import Shot

# A line farther from the stated one than this was at something else, or at nothing.
ANOTHER_RAD = radians(20)
FAR_OFF = "a line over 20° from the one aimed on"
OUT_OF_REACH = "a line aimed on that the cut does not allow from there"
# Starts this near to one another (in the standard deviation along a direction) tell no slope along it.
LEAST_REACH_M = 0.03
# Degrees of freedom that must be left over before a slope is asked for: along the line, across it, and its bend.
LEFT_OVER = {"across": 2, "along": 6, "bend": 10}


@dataclass(frozen=True)
class Delivered:
    """Lines of one player at one shot on tables of one size; arrays (n,), radians, NaN where not known.

    ``deviation_rad`` is the delivered line less the stated one; ``error_rad`` the delivered line less the one needed,
    by the measured miss where there is one (``measured``), else by the shot's geometry; each with its stated sd. The
    line may exceed the needed one by ``left_rad`` and fall short of it by ``right_rad``. ``run`` numbers tries that
    follow on one another from one place, ``session`` those of one session and clip; ``turn_sd_rad`` is that of the turn
    that a clip's lines share.
    """

    attempts: tuple[LoggedAttempt, ...]
    start_m: Vector
    deviation_rad: Vector
    sd_rad: Vector
    error_rad: Vector
    error_sd_rad: Vector
    measured: NDArray[np.bool_]
    magnified: Vector
    left_rad: Vector
    right_rad: Vector
    needed_less_stated_rad: Vector
    session: NDArray[np.int_]
    run: NDArray[np.int_]
    turn_sd_rad: Vector
    across_m: Vector
    along_m: Vector
    unused: tuple[tuple[LoggedAttempt, str], ...]

    def __len__(self) -> int:
        return len(self.attempts)

    @property
    def best_rad(self) -> Vector:
        """By how much the best line, in the middle of the margins, exceeds the needed one."""
        return (self.left_rad - self.right_rad) / 2

    @property
    def half_rad(self) -> Vector:
        return (self.left_rad + self.right_rad) / 2

    def round_runs(self) -> Lines:
        """Lines whose smooth part is a constant for each run of tries from one place."""
        return Lines(self.deviation_rad, self.sd_rad, self.run, np.zeros((len(self), 0)))

    def round_smooth(self) -> Lines:
        """Lines whose smooth part is a constant for each session and clip, and slopes along the starts."""
        return Lines(self.deviation_rad, self.sd_rad, self.session, self._columns(self.session))

    def errors(self, kept: NDArray[np.bool_]) -> tuple[Lines, Vector]:
        """How far the lines ``kept`` (n,) exceed those needed, by measured misses where there are three (else by the
        shot's geometry), one constant for all; and the columns at every line, (n, k)."""
        told = kept & self.measured
        told = told if int(told.sum()) >= 3 else kept & np.isfinite(self.error_rad)
        together = np.zeros(len(self), dtype=int)
        columns = self._columns(together, told)
        return Lines(self.error_rad[told], self.error_sd_rad[told], together[told], columns[told]), columns

    def needs(self, kept: NDArray[np.bool_]) -> tuple[Lines, Vector]:
        """How far the lines needed exceed the stated ones, of those ``kept`` (n,), whose misses are measured: what
        moves them from try to try is no part of the stroke's line; and the columns at every line, (n, k). A clip's
        turn is in the bearings alone, hence constants by session and clip."""
        sd = np.hypot(self.sd_rad, self.error_sd_rad)
        columns = self._columns(self.session, kept)
        exceed = (self.deviation_rad - self.error_rad)[kept]
        return Lines(exceed, sd[kept], self.session[kept], columns[kept]), columns

    def _columns(self, group: NDArray[np.int_], kept: NDArray[np.bool_] | None = None) -> Vector:
        """What the starts let one ask, by their places alone, so that no choice hangs on how the lines fell; of the
        lines ``kept``, given at all, (n, k)."""
        kept = np.ones(len(self), dtype=bool) if kept is None else kept
        if not kept.any():
            return np.zeros((len(self), 0))
        number = np.unique(group[kept], return_inverse=True)[1].reshape(-1)
        free = int(kept.sum() - number.max() - 1)
        # A point that lies elsewhere turns lines by the start's place across them: that slope first.
        bend_m2 = self.across_m**2
        candidates = (
            ("across", self.across_m, LEAST_REACH_M),
            ("along", self.along_m, LEAST_REACH_M),
            ("bend", bend_m2, LEAST_REACH_M * float(np.std(self.across_m[kept]))),
        )
        chosen: list[Vector] = []
        for name, column, reach in candidates:
            inner = column[kept] - _group_mean(column[kept], number)
            if chosen:
                others = np.column_stack([c[kept] - _group_mean(c[kept], number) for c in chosen])
                inner = inner - others @ np.linalg.lstsq(others, inner, rcond=None)[0]
            if free - len(chosen) - 1 >= LEFT_OVER[name] and float(np.std(inner)) > reach:
                chosen.append(column)
        return np.column_stack(chosen) if chosen else np.zeros((len(self), 0))


def delivered(shot: Shot, table: Table, attempts: Sequence[LoggedAttempt], aim: Aim | None = None) -> Delivered:
    """The lines of ``attempts`` (one player's, at ``shot``), beside the line to ``aim``; without one, beside the line
    needed by the shot's geometry, and where that is not known beside their own mean direction.

    Attempts on tables of another size, without a measured line or start, or on a line far from the stated one are
    ``unused``, with the reason.
    """
    used, unused = _usable(shot, table, attempts)
    start = np.array([a.attempt.start_m for a in used], dtype=float).reshape(-1, 2)
    line = np.array([a.attempt.bearing_rad for a in used], dtype=float)
    needed = _needed(shot, table, start)
    stated = aim.bearing_rad(start, table) if aim is not None else needed
    if aim is None and not np.isfinite(stated).all():
        stated = np.full(len(used), _middle(line))
    near = np.abs(_wrapped(line - stated)) <= ANOTHER_RAD
    unused += [(a, FAR_OFF) for a, n in zip(used, near, strict=True) if not n]
    if shot.kind == "bank" and len(used):
        cue = np.array([a.attempt.cue_start_m for a in used], dtype=float)
        can = np.isfinite(through_cut(cue, start, stated, start[:, 0], start[:, 0], table).bearing_rad)
        unused += [(a, OUT_OF_REACH) for a, n, c in zip(used, near, can, strict=True) if n and not c]
        near &= can
    return _built(
        shot, table, [a for a, n in zip(used, near, strict=True) if n], stated[near], needed[near], tuple(unused)
    )


def _built(
    shot: Shot,
    table: Table,
    used: list[LoggedAttempt],
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
    deviation, between = _wrapped(line - stated_rad), _wrapped(needed_rad - stated_rad)
    turn = np.nan_to_num(np.array([a.common_bearing_sd_rad for a in used], dtype=float))
    if shot.kind == "bank":

        def carried(object_rad: Vector) -> Vector:
            return through_cut(cue, start, object_rad, nothing, nothing, table).bearing_rad

        # The needed line where there is one; a shot without a target still has the lines it was sent on.
        about = np.where(np.isfinite(needed_rad), needed_rad, line)
        cut: CutMargins = through_cut(cue, start, about, left, right, table)
        there = carried(line)
        deviation = _wrapped(there - carried(stated_rad))
        between = _wrapped(carried(needed_rad) - carried(stated_rad))
        error = _wrapped(there - carried(line - error))
        magnified, left, right = cut.magnified, cut.left_rad, cut.right_rad
        slope = np.abs(through_cut(cue, start, line, nothing, nothing, table).magnified)
        sd, error_sd, turn = sd / slope, error_sd / slope, turn / slope
    ahead = np.array([np.cos(_middle(stated_rad)), np.sin(_middle(stated_rad))])
    away = start - table.centre_m
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
        needed_less_stated_rad=between,
        session=_numbers(sessions),
        run=_runs(used),
        turn_sd_rad=turn,
        across_m=away @ np.array([-ahead[1], ahead[0]]),
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


def _needed(shot: Shot, table: Table, start_m: Vector) -> Vector:
    image = image_m(shot, table)
    if image is None:
        return np.full(len(start_m), nan)
    away = image - start_m
    bearing: Vector = np.arctan2(away[:, 1], away[:, 0])
    return bearing


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


def _group_mean(column: Vector, number: NDArray[np.int_]) -> Vector:
    total = np.bincount(number, column)
    mean: Vector = (total / np.maximum(np.bincount(number), 1))[number]
    return mean


def _middle(angle_rad: Vector) -> float:
    return float(np.arctan2(np.mean(np.sin(angle_rad)), np.mean(np.cos(angle_rad)))) if len(angle_rad) else 0.0


def _wrapped(angle_rad: Vector) -> Vector:
    wrapped: Vector = (angle_rad + np.pi) % (2 * np.pi) - np.pi
    return wrapped
