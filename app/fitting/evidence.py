"""From logged attempts to observations: what each row can say of the bearing it needed, and why some say nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, pi

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.likelihood import FEWEST_FOR_WEIGHTS, WRONG_SHARE, Observations
from calibration.table import Table, Vector
from calibration.unfold import unfold
from vision.shot import Shot

# A real cushion is no mirror: the correction by the measured miss is right to about this much, the same for all
# attempts at one shot.
GAIN_SD = 0.15
# A correction (or a turn) below this is nothing beside any bearing's error, radians.
NOTHING_RAD = 1e-9
MOST_CORRECTION_RAD = pi / 2
# A bearing this badly known says nothing; larger numbers only spoil the arithmetic.
LARGEST_SD_RAD = pi


@dataclass(frozen=True)
class Evidence:
    """Usable rows with their observations, and the others with the reason in plain words.

    ``measured`` is how many of ``rows`` have a measured miss; ``gain`` says whether the first nuisance is the gain of
    the miss correction (the others are turns of clips); ``margin_rad`` (n, 2) are margins left and right, NaN where
    not known; ``miss_per_rad_m`` (n,) as logged or from the shot's mirror geometry.
    """

    rows: tuple[AttemptRow, ...]
    observations: Observations
    unused: tuple[tuple[AttemptRow, str], ...]
    measured: int
    gain: bool
    margin_rad: Vector
    miss_per_rad_m: Vector


def gather(rows: Sequence[AttemptRow], table: Table, shot: Shot | None = None) -> Evidence:
    """Sort the rows of one shot into what the fit can use.

    A row with a measured miss is used as measured, made or not. A row that is only known as made, or missed to a side,
    says between which bearings the needed one lies, if its margins are known. ``shot`` supplies the worth of a
    degree where the row does not (mirror geometry).
    """
    used: list[AttemptRow] = []
    unused: list[tuple[AttemptRow, str]] = []
    needed: list[float] = []
    correction: list[float] = []
    sds: list[float] = []
    limits: list[tuple[float, float, bool]] = []
    worth: list[float] = []
    for row in rows:
        per_rad = _worth(row, table, shot)
        limit, why = _limits(row) if not isfinite(row.miss_m) else ((np.nan, np.nan, False), "")
        if isfinite(row.miss_m) and row.miss_m != 0 and not (isfinite(per_rad) and per_rad != 0):
            limit, why = _limits(row)
            why = why and "its miss has no miss_per_deg_m to turn it into degrees, and no shot file says"
        measured = bool(np.isnan(limit[0]))
        offset = row.miss_m / per_rad if not why and measured and row.miss_m != 0 else 0.0
        if abs(offset) > MOST_CORRECTION_RAD:
            why = "its miss would turn the bearing by more than a right angle: look at miss_m and miss_per_deg_m"
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
    nuisance, sd_rad, gain = _nuisances(used, np.array(correction), np.array(sds))
    bounds = np.array(limits, dtype=float).reshape(-1, 3)
    starts = np.array([(row.start_x_m, row.start_y_m) for row in used]).reshape(-1, 2) - table.centre_m
    observations = Observations(
        start_m=starts,
        bearing_rad=np.array(needed, dtype=float),
        sd_rad=sd_rad,
        nuisance_rad=nuisance,
        low_rad=bounds[:, 0],
        high_rad=bounds[:, 1],
        outside=bounds[:, 2] == 1,
        wrong_share=WRONG_SHARE if len(used) >= FEWEST_FOR_WEIGHTS else 0.0,
    )
    return Evidence(
        rows=tuple(used),
        observations=observations,
        unused=tuple(unused),
        measured=int(observations.measured.sum()),
        gain=gain,
        margin_rad=np.array([(row.margin_left_rad, row.margin_right_rad) for row in used]).reshape(-1, 2),
        miss_per_rad_m=np.array(worth, dtype=float),
    )


def _worth(row: AttemptRow, table: Table, shot: Shot | None) -> float:
    """How far the miss moves per radian of bearing, metres; NaN when neither row nor shot says."""
    if isfinite(row.miss_per_rad_m) or shot is None or (shot.target_ball == "any" and shot.target_pocket is None):
        return row.miss_per_rad_m
    start = np.array([row.start_x_m, row.start_y_m])
    return unfold(start, shot.target_point_m(table), shot.rails, table).miss_per_rad_m


def _limits(row: AttemptRow) -> tuple[tuple[float, float, bool], str]:
    """Between which limits needed minus delivered bearing lies, and the reason when the row cannot say."""
    left, right = row.margin_left_rad, row.margin_right_rad
    nothing = (np.nan, np.nan, False)
    if row.outcome is None:
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


def _nuisances(rows: Sequence[AttemptRow], correction: Vector, sd_rad: Vector) -> tuple[Vector, Vector, bool]:
    """Columns of the nuisances, stated sds (turns of single attempts added), and whether a gain is among them."""
    columns: list[Vector] = []
    gain = bool(len(correction)) and float(np.max(np.abs(correction))) > NOTHING_RAD
    if gain:
        columns.append(GAIN_SD * correction)
    clips: dict[str, list[int]] = {}
    variance = sd_rad**2
    for k, row in enumerate(rows):
        turn = row.common_bearing_sd_rad
        if not isfinite(turn) or turn <= NOTHING_RAD:
            continue
        if row.clip is None:
            variance[k] += turn**2
        else:
            clips.setdefault(row.clip, []).append(k)
    for members in clips.values():
        turns = np.array([rows[k].common_bearing_sd_rad for k in members])
        if len(members) == 1:
            variance[members[0]] += turns[0] ** 2
            continue
        column = np.zeros(len(rows))
        column[members] = turns
        columns.append(column)
    matrix = np.column_stack(columns) if columns else np.zeros((len(rows), 0))
    return matrix, np.sqrt(variance), gain
