"""From logged attempts to observations: what each row can say of the bearing it needed, and why some say nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, pi

import numpy as np

from app.fitting.attempts_csv import OUTCOMES, AttemptRow
from app.fitting.gain import gain_column
from app.fitting.likelihood import Observations, wrong_share_of
from app.fitting.margins import image_m, margins_where_possible
from app.fitting.remarks import off_table
from calibration.table import Table, Vector
from vision.shot import Shot

# A correction (or a turn) below this is nothing beside any bearing's error, radians.
NOTHING_RAD = 1e-9
MOST_CORRECTION_RAD = pi / 2
NO_LINE = "no margin is known there: on ideal rails no line from its start over these rails makes the shot"
# A bearing this badly known says nothing; larger numbers only spoil the arithmetic.
LARGEST_SD_RAD = pi


@dataclass(frozen=True)
class Evidence:
    """Usable rows with their observations, and the others with the reason in plain words.

    ``measured`` is how many of ``rows`` have a measured miss; ``gain`` says whether the first nuisance is the gain of
    the miss correction (the others are readers' habits and turns of clips); ``margin_rad`` (n, 2) are margins left and
    right, NaN where not known, as logged or (``margins_from_shot``) by the shot's geometry; ``lines_only``: nothing
    else was logged; ``miss_per_rad_m`` (n,) as logged or from the shot's mirror geometry.
    """

    rows: tuple[AttemptRow, ...]
    observations: Observations
    unused: tuple[tuple[AttemptRow, str], ...]
    measured: int
    gain: bool
    margin_rad: Vector
    margins_from_shot: bool
    lines_only: bool
    miss_per_rad_m: Vector


def gather(rows: Sequence[AttemptRow], table: Table, shot: Shot | None = None) -> Evidence:
    """Sort the rows of one shot into what the fit can use.

    A row with a measured miss is used as measured, made or not. A row that is only known as made, or missed to a side,
    says between which bearings the needed one lies, if its margins are known. Where nothing but lines was logged, they
    are taken for the lines that succeed, which scatter as the player's do. ``shot`` supplies the worth of a
    degree where the row does not (mirror geometry), and the margins of a log that has neither misses nor margins.
    """
    used: list[AttemptRow] = []
    unused: list[tuple[AttemptRow, str]] = []
    needed: list[float] = []
    correction: list[float] = []
    sds: list[float] = []
    limits: list[tuple[float, float, bool]] = []
    worth: list[float] = []
    allowed: list[Vector] = []
    margin_rad, from_shot = _margins(rows, table, shot)
    lines_only = not any(isfinite(row.miss_m) or row.outcome or row.miss_side for row in rows)
    for row, per_rad, margin in zip(rows, map(float, _worth(rows, table, shot)), margin_rad, strict=True):
        limit, why = (np.nan, np.nan, False), ""
        if not isfinite(row.miss_m) and not lines_only:
            limit, why = _limits(row, *map(float, margin))
            if why and from_shot and row.outcome in OUTCOMES and np.isnan(margin).all():
                why = NO_LINE
        if isfinite(row.miss_m) and row.miss_m != 0 and not (isfinite(per_rad) and per_rad != 0):
            limit, why = _limits(row, *map(float, margin))
            why = why and "its miss has no miss_per_deg_m to turn it into degrees, and no shot file says"
        measured = bool(np.isnan(limit[0]))
        missed = isfinite(row.miss_m) and row.miss_m != 0
        offset = row.miss_m / per_rad if not why and measured and missed else 0.0
        if abs(offset) > MOST_CORRECTION_RAD:
            why = "its miss would turn the bearing by more than a right angle: look at miss_m and miss_per_deg_m"
        if off_table(row, table):
            why = "its start lies off the table"
        if why:
            unused.append((row, why))
            continue
        sd = row.bearing_sd_rad if isfinite(row.bearing_sd_rad) else 0.0
        if measured and isfinite(row.miss_sd_m) and isfinite(per_rad) and per_rad != 0:
            sd = hypot(sd, row.miss_sd_m / per_rad)
        sd = min(sd, LARGEST_SD_RAD)
        used.append(row)
        needed.append(row.bearing_rad - offset)
        correction.append(offset)
        sds.append(sd)
        limits.append(limit)
        worth.append(per_rad)
        allowed.append(margin)
    bounds = np.array(limits, dtype=float).reshape(-1, 3)
    starts = np.array([(row.start_x_m, row.start_y_m) for row in used]).reshape(-1, 2) - table.centre_m
    gained = np.zeros(len(used))
    if correction and float(np.max(np.abs(correction))) > NOTHING_RAD:
        told = np.array([isfinite(row.miss_m) for row in used]) & np.isnan(bounds[:, 0])
        gained = gain_column(np.array(correction), starts, np.array(needed), told)
    nuisance, sd_rad = _nuisances(used, gained, np.array(sds))
    observations = Observations(
        start_m=starts,
        bearing_rad=np.array(needed, dtype=float),
        sd_rad=sd_rad,
        nuisance_rad=nuisance,
        low_rad=bounds[:, 0],
        high_rad=bounds[:, 1],
        outside=bounds[:, 2] == 1,
        wrong_share=wrong_share_of(len(used)),
    )
    return Evidence(
        rows=tuple(used),
        observations=observations,
        unused=tuple(unused),
        measured=int(observations.measured.sum()),
        gain=bool(gained.any()),
        margin_rad=np.array(allowed, dtype=float).reshape(-1, 2),
        margins_from_shot=from_shot and not lines_only,
        lines_only=lines_only and len(used) > 0,
        miss_per_rad_m=np.array(worth, dtype=float),
    )


def _worth(rows: Sequence[AttemptRow], table: Table, shot: Shot | None) -> Vector:
    """How far the miss moves per radian of bearing, metres, (n,); NaN when neither row nor shot says."""
    logged = np.array([row.miss_per_rad_m for row in rows], dtype=float)
    image = image_m(shot, table)
    if shot is None or image is None or not len(rows):
        return logged
    away = image - np.array([(row.start_x_m, row.start_y_m) for row in rows])
    ideal = (-1) ** len(shot.rails) * np.hypot(away[:, 0], away[:, 1])
    return np.where(np.isfinite(logged), logged, ideal)


def _margins(rows: Sequence[AttemptRow], table: Table, shot: Shot | None) -> tuple[Vector, bool]:
    """Margins left and right, radians, (n, 2), and whether they are the shot's own.

    As logged. Where a log holds outcomes only, neither a miss nor a margin, they are computed from the shot's geometry;
    NaN from where its path is impossible.
    """
    logged = np.array([(row.margin_left_rad, row.margin_right_rad) for row in rows], dtype=float).reshape(-1, 2)
    if shot is None or not len(rows) or np.isfinite(logged).any() or any(isfinite(row.miss_m) for row in rows):
        return logged, False
    starts = np.array([(row.start_x_m, row.start_y_m) for row in rows])
    ideal = np.column_stack(margins_where_possible(shot, table, starts))
    return ideal, image_m(shot, table) is not None


def _limits(row: AttemptRow, left: float, right: float) -> tuple[tuple[float, float, bool], str]:
    """Between which limits needed minus delivered bearing lies, and the reason when the row cannot say."""
    nothing = (np.nan, np.nan, False)
    if row.outcome not in OUTCOMES and row.miss_side is None:
        return nothing, "neither a miss nor an outcome was logged"
    if row.outcome == "made":
        if not isfinite(left) and not isfinite(right):
            return nothing, "made, without a miss or a margin"
        if left + right <= 0:
            return nothing, "made, with margins of nothing"
        return (-left if isfinite(left) else -np.inf, right if isfinite(right) else np.inf, False), ""
    if row.miss_side == "left":
        # Delivered more than needed, by more than the margin if that is known.
        return (-np.inf, -left if isfinite(left) else 0.0, False), ""
    if row.miss_side == "right":
        return (right if isfinite(right) else 0.0, np.inf, False), ""
    if isfinite(left) and isfinite(right):
        return (-left, right, True), ""
    return nothing, "missed, without a side or both margins"


def _turns(rows: Sequence[AttemptRow]) -> Vector:
    """Sd of the turn common to each row's clip, (n,), 0 where none is stated. Said once it holds for the whole clip."""
    stated: dict[str, float] = {}
    for row in rows:
        if row.clip is not None and isfinite(row.common_bearing_sd_rad):
            stated[row.clip] = max(stated.get(row.clip, 0.0), row.common_bearing_sd_rad)
    turns = [
        row.common_bearing_sd_rad if isfinite(row.common_bearing_sd_rad) else stated.get(row.clip or "", 0.0)
        for row in rows
    ]
    return np.minimum(np.array(turns, dtype=float), LARGEST_SD_RAD)


def _readers(rows: Sequence[AttemptRow]) -> list[tuple[list[int], Vector]]:
    """For each reader the rows that he read by eye, and the sds of what is alike in them."""
    read: dict[str, list[int]] = {}
    for k, row in enumerate(rows):
        if row.reader is not None and isfinite(row.reader_sd_rad):
            read.setdefault(row.reader, []).append(k)
    return [
        (members, np.minimum([rows[k].reader_sd_rad for k in members], LARGEST_SD_RAD)) for members in read.values()
    ]


def _nuisances(rows: Sequence[AttemptRow], gained_rad: Vector, sd_rad: Vector) -> tuple[Vector, Vector]:
    """Columns of the nuisances, the gain's first if there is one, and stated sds (turns of single attempts added)."""
    columns = [gained_rad] if gained_rad.any() else []
    clips: dict[str, list[int]] = {}
    variance = sd_rad**2
    turn_rad = _turns(rows)
    for k, row in enumerate(rows):
        clip = row.clip
        if turn_rad[k] <= NOTHING_RAD:
            continue
        if clip is None:
            variance[k] += turn_rad[k] ** 2
        else:
            clips.setdefault(clip, []).append(k)
    # Readers' habits first: they share rows with the turns, which share none with one another.
    for members, shared_rad in (*_readers(rows), *((those, turn_rad[those]) for those in clips.values())):
        if len(members) == 1:
            variance[members[0]] += shared_rad[0] ** 2
            continue
        column = np.zeros(len(rows))
        column[members] = shared_rad
        columns.append(column)
    matrix = np.column_stack(columns) if columns else np.zeros((len(rows), 0))
    return matrix, np.sqrt(variance)
