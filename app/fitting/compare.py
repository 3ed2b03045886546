"""Has the point moved? Groups of attempts at one shot (sessions, players, mirrored corners) fitted apart and compared.

Each group has a family of its own; the scatter is shared, so that a session of four attempts can be judged. Under "all
the same" the weighted squares of the groups' families about their mean, over 2 (k - 1), follow F with 2 (k - 1) and
n - 2 k degrees of freedom (exact for a linear model with one unknown scatter). What is left over chance is the variance
between groups, by the method of moments.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import degrees, nan, pi, sqrt
from typing import Any

import numpy as np
from scipy.special import fdtrc

from app.fitting import lines
from app.fitting.attempts_csv import AttemptRow
from app.fitting.convergence import Convergence, blind
from app.fitting.evidence import gather
from app.fitting.likelihood import Observations, wrong_share_of
from app.fitting.scatter import USUAL_SCATTER_RAD, best_start, rough_scatter
from app.fitting.side_by_side import fit_groups
from calibration.table import Table, Vector
from vision.shot import Shot

FEWEST_IN_GROUP = 3
SURE = 0.05
# A group's lines meet in a point if its inverse distance is so many sds from nothing.
SURELY_NEAR_SD = 2.0
# Lines that meet in one point to the last digit leave nothing; errors are at least this share of what is stated.
LEAST_SHARE = 1e-6
SWAPPED = {"left": "right", "right": "left"}


@dataclass(frozen=True)
class Comparison:
    """``verdict``: moved | not moved | cannot tell. ``between_sd`` (2,): of direction (radians) and inverse distance
    (per metre) from group to group, chance taken out. ``families`` (k, 2) of the groups named, ``family_sd`` (k, 2) how
    sure each is, ``points_m`` (k, 2) their points in the table frame, NaN where parallel lines would do as well,
    ``attempts`` how many each is told from."""

    verdict: str
    reason: str
    p_value: float
    between_sd: tuple[float, float]
    groups: tuple[str, ...]
    families: Vector
    family_sd: Vector
    points_m: Vector
    attempts: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        known = np.isfinite(self.p_value)
        return {
            "verdict": self.verdict,
            "reason": self.reason,
            "p_value": round(self.p_value, 5) if known else None,
            "direction_sd_between_deg": round(degrees(self.between_sd[0]), 4) if known else None,
            "inverse_distance_sd_between_per_m": round(self.between_sd[1], 5) if known else None,
            "groups": [
                {
                    "group": name,
                    "attempts": count,
                    "point_m": [round(float(v), 4) for v in point] if np.isfinite(point).all() else None,
                    "direction_deg": round(degrees(phi) % 360.0, 4),
                    "direction_sd_deg": round(degrees(phi_sd), 4),
                    "inverse_distance_per_m": round(float(kappa), 5),
                    "inverse_distance_sd_per_m": round(float(kappa_sd), 5),
                }
                for name, count, point, (phi, kappa), (phi_sd, kappa_sd) in zip(
                    self.groups, self.attempts, self.points_m, self.families, self.family_sd, strict=True
                )
            ],
        }


def compare(
    groups: Mapping[str, Sequence[AttemptRow]],
    table: Table,
    shot: Shot | None = None,
    together: Convergence | None = None,
) -> Comparison:
    """Compare groups of attempts with measured misses. Groups of fewer than three are left out.

    ``together`` is the fit of all of them at once, if there is one already: it tells where to begin, and the scatter.
    """
    gathered = {
        name: gather(rows, table, shot).observations for name, rows in groups.items() if len(rows) >= FEWEST_IN_GROUP
    }
    return compare_observations(gathered, table.centre_m, together)


def compare_parts(
    obs: Observations, parts: Mapping[str, Sequence[int]], centre_m: Vector, together: Convergence | None
) -> Comparison:
    """As ``compare``, for parts (row numbers from 0) of observations that are gathered already."""
    gathered = {}
    for name, members in parts.items():
        if len(members) >= FEWEST_IN_GROUP:
            keep = np.zeros(len(obs), dtype=bool)
            keep[list(members)] = True
            some = obs.some(keep)
            gathered[name] = replace(
                some,
                nuisance_rad=some.nuisance_rad[:, some.nuisance_rad.any(axis=0)],
                wrong_share=wrong_share_of(len(some)),
            )
    return compare_observations(gathered, centre_m, together)


def compare_observations(
    groups: Mapping[str, Observations], centre_m: Vector, together: Convergence | None = None
) -> Comparison:
    """As ``compare``, from observations about the table's centre (2,)."""
    told: dict[str, Observations] = {}
    begin: dict[str, Vector] = {}
    for name, given in groups.items():
        obs = given if given.measured.all() else given.some(given.measured)
        if len(obs) >= FEWEST_IN_GROUP:
            family = together.family if together is not None else best_start(obs, USUAL_SCATTER_RAD)
            if not blind(obs, family):
                told[name], begin[name] = obs, family
    k, n = len(told), sum(len(obs) for obs in told.values())
    if k < 2:
        reason = f"it takes two groups of at least {FEWEST_IN_GROUP} measured attempts that tell of the point."
        none = np.zeros((0, 2))
        return Comparison("cannot tell", reason, nan, (nan, nan), (), none, none, none, ())
    if together is not None:
        spread = together.spread_rad
    else:
        spread = sqrt(float(np.mean([rough_scatter(obs, begin[name]) ** 2 for name, obs in told.items()])))
    families, covariance = _apart(told, begin, spread)
    information = np.linalg.inv(covariance)
    # Directions are compared as they lie about the first one, whatever side of zero that is.
    apart = families - families[0]
    apart[:, 0] = np.angle(np.exp(1j * apart[:, 0]))
    mean = np.linalg.solve(information.sum(axis=0), np.einsum("kij,kj->i", information, apart))
    off = apart - mean
    squares = float(np.einsum("ki,kij,kj->", off, information, off))
    chance = 2 * (k - 1)
    p = float(fdtrc(chance, n - 2 * k, squares / chance))
    between = [_between(off[:, i], covariance[:, i, i]) for i in (0, 1)]
    moved = p < SURE
    family_sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    near = np.abs(families[:, 1:]) > SURELY_NEAR_SD * family_sd[:, 1:]
    reason = "the groups' points differ by more than chance." if moved else "chance alone would do this."
    return Comparison(
        verdict="moved" if moved else "not moved",
        reason=reason,
        p_value=p,
        between_sd=(between[0], between[1]),
        groups=tuple(told),
        families=families,
        family_sd=family_sd,
        points_m=np.where(near, centre_m + lines.to_point(families), nan),
        attempts=tuple(len(obs) for obs in told.values()),
    )


def _apart(told: Mapping[str, Observations], begin: Mapping[str, Vector], spread_rad: float) -> tuple[Vector, Vector]:
    """The groups' families (k, 2) and covariances (k, 2, 2).

    A scatter that is about right sets the weights of the rows against one another; how large the errors really are is
    told by what the groups' own families leave, over n - 2 k.
    """
    found = fit_groups(list(told.values()), np.array([begin[name] for name in told]), spread_rad)
    freedom = sum(len(obs) - 2 for obs in told.values())
    return found.family, found.covariance * max(float(found.left.sum()) / freedom, LEAST_SHARE)


def _between(off: Vector, variance: Vector) -> float:
    """Standard deviation between groups of one parameter (method of moments of DerSimonian and Laird, 1986)."""
    weight = 1 / variance
    squares = float(np.sum(weight * (off - np.average(off, weights=weight)) ** 2))
    scale = float(weight.sum() - np.sum(weight**2) / weight.sum())
    return sqrt(max(squares - (len(off) - 1), 0.0) / scale)


def days(rows: Sequence[AttemptRow]) -> dict[str, list[int]]:
    """Numbers (from 0) of the rows of each day, days in order; rows without a time are left out."""
    parts: dict[str, list[int]] = {}
    for k, row in sorted(enumerate(rows), key=lambda entry: (entry[1].at or "", entry[1].row)):
        if row.at:
            parts.setdefault(row.at[:10], []).append(k)
    return parts


def sessions(rows: Sequence[AttemptRow]) -> dict[str, list[int]]:
    """Numbers (from 0) of the rows of each session, in order of time; rows that know of none are left out."""
    parts: dict[str, list[int]] = {}
    for k, row in sorted(enumerate(rows), key=lambda entry: (entry[1].at or "", entry[1].row)):
        if row.session is not None:
            parts.setdefault(row.session, []).append(k)
    return parts


def mirrored(row: AttemptRow, table: Table, *, across: bool = True, along: bool = False) -> AttemptRow:
    """The attempt as it would be at the same shot on the other side (left and right side rails change places), at the
    other end of the table (``along``), or both."""
    if across:
        row = _seen_in_a_mirror(replace(row, start_y_m=table.width_m - row.start_y_m, bearing_rad=-row.bearing_rad))
    if along:
        row = _seen_in_a_mirror(
            replace(row, start_x_m=table.length_m - row.start_x_m, bearing_rad=pi - row.bearing_rad)
        )
    return row


def _seen_in_a_mirror(row: AttemptRow) -> AttemptRow:
    """Left and right change places; start and bearing are mirrored already."""
    return replace(
        row,
        bearing_rad=row.bearing_rad % (2 * pi),
        miss_m=-row.miss_m,
        miss_side=SWAPPED.get(row.miss_side or "", row.miss_side),
        margin_left_rad=row.margin_right_rad,
        margin_right_rad=row.margin_left_rad,
        english=SWAPPED.get(row.english or "", row.english),
    )
