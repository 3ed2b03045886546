"""The fit of logged attempts, shot by shot, and its published JSON form (schema 1)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Any

import numpy as np

from app.attempts_csv import AttemptRow
from app.convergence import Convergence, converge, refused
from app.evidence import Evidence, gather
from app.scatter import ScatterPrior
from calibration.table import Table
from vision.shot import Shot

SCHEMA = 1
# With fewer measured attempts than this, interval attempts need the usual scatter as a prior.
ENOUGH_MEASURED = 5
# A right entry's weight is seldom below this; those above it are not worth a reader's time.
LISTED = 0.9


@dataclass(frozen=True)
class RowWeight:
    """A row that counts less than fully, and why. ``row`` is the line of the file (header = 1)."""

    row: int
    weight: float
    why: str


@dataclass(frozen=True)
class ShotFit:
    """The fit of one shot. ``convergence`` holds the point and its uncertainty, NaN and None where not known."""

    shot: str
    attempts: int
    used: int
    convergence: Convergence
    one_point: str | None
    rules: tuple[dict[str, Any], ...]
    weights: tuple[RowWeight, ...]

    def to_json(self) -> dict[str, Any]:
        """The published form: degrees and metres, null for what is not known."""
        c = self.convergence
        ellipse = c.ellipse
        sds = [float(np.sqrt(v)) for v in np.diag(c.family_covariance)]
        return {
            "schema": SCHEMA,
            "shot": self.shot,
            "attempts": self.attempts,
            "used": self.used,
            "status": c.status,
            "reason": c.reason or None,
            "point_m": None if c.point_m is None else [_number(v, 5) for v in c.point_m],
            "covariance_m2": None
            if c.covariance_m2 is None
            else [[_number(v, 10) for v in r] for r in c.covariance_m2],
            "ellipse": None
            if ellipse is None
            else {
                "confidence": ellipse.confidence,
                "semi_major_m": _number(ellipse.semi_major_m, 6),
                "semi_minor_m": _number(ellipse.semi_minor_m, 6),
                "angle_deg": _number(degrees(ellipse.angle_rad) % 180.0, 3),
            },
            "direction_deg": _direction(float(c.family[0])),
            "direction_sd_deg": _number(degrees(sds[0]), 5),
            "inverse_distance_per_m": _number(float(c.family[1]), 6),
            "inverse_distance_sd_per_m": _number(sds[1], 6),
            # The direction runs on past 0 and 360 here, so that the outline is one closed curve.
            "region": None if c.region is None else [[_number(degrees(p), 4), _number(k, 6)] for p, k in c.region],
            "spread_deg": _number(degrees(c.spread_rad), 5),
            "spread_range_deg": None
            if not isfinite(c.spread_range_rad[0])
            else [_number(degrees(v), 5) for v in c.spread_range_rad],
            "one_point": self.one_point,
            "rules": list(self.rules),
            "weights": [{"row": w.row, "weight": round(w.weight, 3), "why": w.why} for w in self.weights],
        }


def fit_shot(
    rows: Sequence[AttemptRow],
    *,
    shot_name: str,
    table: Table,
    shot: Shot | None = None,
    prior: ScatterPrior | None = None,
) -> ShotFit:
    """Fit the attempts at one shot.

    Parameters
    ----------
    rows : attempts; those of other shots are left out.
    shot : supplies what the rows do not say (what a degree is worth).
    prior : scatter of the same table's or player's other shots; without one, measured attempts speak for themselves.
    """
    mine = [row for row in rows if row.shot == shot_name]
    evidence = gather(mine, table, shot)
    if prior is None and evidence.measured < min(ENOUGH_MEASURED, len(evidence.rows)):
        prior = ScatterPrior()
    if evidence.rows:
        found = converge(evidence.observations, table.centre_m, prior=prior)
    else:
        found = refused("no attempt says which bearing it needed: log misses, or outcomes with margins.")
    return ShotFit(
        shot=shot_name,
        attempts=len(mine),
        used=len(evidence.rows),
        convergence=found,
        one_point=None,
        rules=(),
        weights=_weights(evidence, found),
    )


def _weights(evidence: Evidence, found: Convergence) -> tuple[RowWeight, ...]:
    """Rows that count less than fully, in the order of the file."""
    listed = [RowWeight(row.row, 0.0, why) for row, why in evidence.unused]
    measured = evidence.observations.measured
    for k, row in enumerate(evidence.rows):
        if found.row_weight[k] < LISTED:
            away = abs(float(found.row_offset[k]))
            why = f"{away:.1f} sd from the others" if measured[k] else "its outcome contradicts the others"
            listed.append(RowWeight(row.row, float(found.row_weight[k]), why))
    return tuple(sorted(listed, key=lambda w: w.row))


def fit_all(rows: Sequence[AttemptRow], table: Table, shots: Mapping[str, Shot] | None = None) -> list[ShotFit]:
    """Fit every shot of a log, in order of first appearance. ``shots`` maps names to shot files' contents."""
    by_shot: dict[str, list[AttemptRow]] = {}
    for row in rows:
        by_shot.setdefault(row.shot, []).append(row)
    known = shots or {}
    return [fit_shot(mine, shot_name=name, table=table, shot=known.get(name)) for name, mine in by_shot.items()]


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if isfinite(value) else None


def _direction(value_rad: float) -> float | None:
    value = _number(degrees(value_rad), 5)
    return None if value is None else value % 360.0
