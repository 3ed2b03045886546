"""The fit of the attempts at one shot, and its published JSON form (schema 1)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Any

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.compare import Comparison, compare_parts, days, sessions
from app.fitting.convergence import Convergence, converge, refused
from app.fitting.evidence import Evidence, gather
from app.fitting.margins import half_width, smaller
from app.fitting.one_point import OnePoint, cannot_tell, judge
from app.fitting.pooled import Pooled, pooled
from app.fitting.remarks import remarks
from app.fitting.rules import Rule, rank_rules
from app.fitting.scatter import ScatterPrior
from app.fitting.terms import Term, fit_term
from app.next_shot.plan import NextShot, plan, shots_json
from calibration.table import Table, Vector
from vision.shot import Shot

SCHEMA = 1
# With fewer measured attempts than this, interval attempts need the usual scatter as a prior.
ENOUGH_MEASURED = 5
# A right entry's weight is seldom below this; those above it are not worth a reader's time.
LISTED = 0.9
FEWEST_FOR_SPEED = 10
LEAST_SPEED_RANGE_MPS = 0.1
LINES_ONLY = "Neither misses nor outcomes were logged: the lines are taken for those that succeed."
BY_GEOMETRY = "No misses or margins were logged: the margins are those of the shot's geometry."


@dataclass(frozen=True)
class RowWeight:
    """A row that counts less than fully, and why. ``row`` is the line of the file (header = 1); ``shot`` the one under
    whose name it was logged, where that is not the shot fitted."""

    row: int
    weight: float
    why: str
    shot: str | None = None

    def to_json(self) -> dict[str, Any]:
        told: dict[str, Any] = {"row": self.row, "weight": round(self.weight, 3), "why": self.why}
        return told if self.shot is None else told | {"shot": self.shot}


@dataclass(frozen=True)
class ShotFit:
    """The fit of one shot. ``convergence`` holds the point and its uncertainty, NaN and None where not known.

    ``speed_slope`` is how the needed bearing moves with the launch speed (radians per m/s; None below ten attempts with
    speeds); ``pooled`` says what has been thrown together; ``next_start_m`` (2,) is where to shoot from next to learn
    most of the point, None without any usable attempt, ``next_shots`` the next attempts one after another, some of
    them kept for the question whether one point will do; ``sessions`` whether the point has moved from session to
    session, None for one session and where none is known; ``days`` then the same from day to day, None for one day;
    ``mirrored`` compares it with the same shot from mirrored corners, None unless asked for;
    ``remarks`` are sentences on the rows (entered twice, margins taken from the shot's geometry, units that look odd).
    """

    shot: str
    attempts: int
    used: int
    measured: int
    convergence: Convergence
    one_point: OnePoint
    rules: tuple[Rule, ...]
    weights: tuple[RowWeight, ...]
    speed_slope: Term | None
    pooled: tuple[Pooled, ...]
    next_start_m: Vector | None
    days: Comparison | None
    remarks: tuple[str, ...]
    mirrored: Comparison | None = None
    sessions: Comparison | None = None
    next_shots: tuple[NextShot, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The published form: degrees and metres, null for what is not known."""
        c = self.convergence
        ellipse, slope = c.ellipse, self.speed_slope
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
            "one_point": self.one_point.verdict,
            "one_point_detail": _detail(self.one_point),
            "rules": [rule.to_json() for rule in self.rules],
            "weights": [w.to_json() for w in self.weights],
            "speed_slope_deg_per_mps": None if slope is None else _number(degrees(slope.value_rad), 5),
            "speed_slope_sd_deg_per_mps": None if slope is None else _number(degrees(slope.sd_rad), 5),
            "pooled": [p.to_json() for p in self.pooled],
            "next_start_m": None if self.next_start_m is None else [_number(v, 3) for v in self.next_start_m],
            "next": shots_json(self.next_shots),
            "until": None,
            "sessions": None if self.sessions is None else self.sessions.to_json(),
            "days": None if self.days is None else self.days.to_json(),
            "mirrored": None if self.mirrored is None else self.mirrored.to_json(),
            "remarks": list(self.remarks),
        }


def fit_shot(
    rows: Sequence[AttemptRow],
    *,
    shot_name: str,
    table: Table,
    shot: Shot | None = None,
    prior: ScatterPrior | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
) -> ShotFit:
    """Fit the attempts at one shot.

    Parameters
    ----------
    rows : attempts; those of other shots are left out.
    shot : supplies what the rows do not say (what a degree is worth).
    prior : scatter of the same table's or player's other shots; without one, measured attempts speak for themselves.
    marks : named places in the table frame, metres, to be compared as aiming rules.
    """
    mine = [row for row in rows if row.shot == shot_name]
    evidence = gather(mine, table, shot)
    prior = prior or own_prior(evidence)
    obs = evidence.observations
    if evidence.rows:
        found = converge(obs, table.centre_m, prior=prior)
        margin = _margins(evidence, table, shot)
        verdict = judge(obs, found, margin, evidence.miss_per_rad_m, table.centre_m, prior)
        rules = rank_rules(obs, found, verdict, evidence.miss_per_rad_m, table, shot, marks or {}, prior)
    else:
        found = refused("no attempt says which line it needed: log misses, or outcomes with margins.")
        verdict, rules = cannot_tell("there is no fit."), ()
    by_session, by_day = _over_time(evidence, found, table)
    ahead = plan(obs, found, table, shot)
    return ShotFit(
        shot=shot_name,
        attempts=len(mine),
        used=len(evidence.rows),
        measured=evidence.measured,
        convergence=found,
        one_point=verdict,
        rules=rules,
        weights=_weights(evidence, found),
        speed_slope=_speed_slope(evidence, found, prior),
        pooled=pooled(evidence.rows),
        next_start_m=ahead.first_m,
        next_shots=ahead.shots,
        days=by_day,
        sessions=by_session,
        remarks=(*_assumed(evidence), *remarks(mine, table, shot)),
    )


def own_prior(evidence: Evidence) -> ScatterPrior | None:
    """The usual scatter, for a shot that can neither tell its own nor borrow; None for one that can."""
    return ScatterPrior() if evidence.measured < min(ENOUGH_MEASURED, len(evidence.rows)) else None


def _assumed(evidence: Evidence) -> tuple[str, ...]:
    told = ((LINES_ONLY, evidence.lines_only), (BY_GEOMETRY, evidence.margins_from_shot and bool(evidence.rows)))
    return tuple(sentence for sentence, holds in told if holds)


def _margins(evidence: Evidence, table: Table, shot: Shot | None) -> Vector:
    """The smaller margin of each row, as logged, else half the room that the geometry leaves; radians, (n,)."""
    margin = smaller(evidence.margin_rad[:, 0], evidence.margin_rad[:, 1])
    if shot is None:
        return margin
    ideal = half_width(shot, table, evidence.observations.start_m + table.centre_m)
    return np.where(np.isfinite(margin), margin, ideal)


def _over_time(evidence: Evidence, found: Convergence, table: Table) -> tuple[Comparison | None, Comparison | None]:
    """Whether the point has moved from session to session, else from day to day: a file knows no sessions, and one
    question is not asked twice."""
    by_session = sessions(evidence.rows)
    parts = by_session or days(evidence.rows)
    if len(parts) < 2:
        return None, None
    together = None if found.status == "refused" else found
    moved = compare_parts(evidence.observations, parts, table.centre_m, together)
    return (moved, None) if by_session else (None, moved)


def _speed_slope(evidence: Evidence, found: Convergence, prior: ScatterPrior | None) -> Term | None:
    """Long shots are hit harder: with fewer attempts, speed and start cannot be told apart at all."""
    speed = np.array([row.speed_mps for row in evidence.rows])
    known = np.isfinite(speed)
    if found.status == "refused" or int(known.sum()) < FEWEST_FOR_SPEED:
        return None
    if float(np.ptp(speed[known])) < LEAST_SPEED_RANGE_MPS:
        return None
    return fit_term(evidence.observations.some(known), speed[known] - speed[known].mean(), found, prior)


def _weights(evidence: Evidence, found: Convergence) -> tuple[RowWeight, ...]:
    """Rows that count less than fully, in the order of the file."""
    listed = [RowWeight(row.row, 0.0, why, row.logged_as) for row, why in evidence.unused]
    measured = evidence.observations.measured
    for k, row in enumerate(evidence.rows):
        if found.row_weight[k] < LISTED:
            away = abs(float(found.row_offset[k]))
            why = f"{away:.1f} sd from the others" if measured[k] else "its outcome contradicts the others"
            listed.append(RowWeight(row.row, float(found.row_weight[k]), why, row.logged_as))
    return tuple(sorted(listed, key=lambda w: (w.shot or "", w.row)))


def _detail(verdict: OnePoint) -> dict[str, Any]:
    return {
        "reason": verdict.reason,
        "share_of_margin": _number(verdict.share_of_margin, 4),
        "share_of_margin_at_most": _number(verdict.share_of_margin_at_most, 4),
        "extra_miss_m": _number(verdict.extra_miss_m, 5),
        "extra_miss_at_most_m": _number(verdict.extra_miss_at_most_m, 5),
        "envelope": [
            {
                "across_m": _number(p.across_m, 4),
                "point_m": None if p.point_m is None else [_number(v, 4) for v in p.point_m],
            }
            for p in verdict.envelope
        ],
    }


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if isfinite(value) else None


def _direction(value_rad: float) -> float | None:
    value = _number(degrees(value_rad), 5)
    return None if value is None else value % 360.0
