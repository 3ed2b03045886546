"""The convergence point of a fit as pages, drawings and sentences need it."""

from dataclasses import dataclass
from math import isfinite, nan, radians
from typing import Any

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector


@dataclass(frozen=True)
class PointView:
    """The point and its 95 % ellipse; ``point_m`` is None when the region reaches infinity or there is no fit.

    ``direction_rad`` and ``inverse_distance_per_m`` are seen from the table's centre and NaN without a fit;
    ``worst_extra_m`` is how much aiming at one point costs at the worst start, at most; ``pooled`` says which strokes
    or players were thrown together; ``sessions``, ``days`` and ``mirrored`` are the verdicts on whether the point moves
    from session to session, from day to day and from corner to corner, empty where that was not asked; ``moves_m`` is
    how far it moves to the side over time (sd, chance taken out; NaN where not known); ``nearest_m`` and ``farthest_m``
    bound the distance within the 95 % region (infinity where it has no bound); ``next_start_m`` is from where an
    attempt would tell most.
    """

    attempts: int
    used: int
    point_m: Vector | None
    covariance_m2: Vector | None
    semi_major_m: float
    semi_minor_m: float
    angle_rad: float
    direction_rad: float
    inverse_distance_per_m: float
    nearest_m: float
    farthest_m: float
    spread_deg: float
    one_point: str
    worst_extra_m: float
    pooled: tuple[str, ...]
    reason: str
    sessions: str = ""
    days: str = ""
    moves_m: float = nan
    mirrored: str = ""
    next_start_m: Vector | None = None

    @property
    def fitted(self) -> bool:
        return isfinite(self.direction_rad)

    @property
    def spreading(self) -> bool:
        """The lines spread: the point is behind the shooter."""
        return self.inverse_distance_per_m < 0


def point_view(fit: dict[str, Any], reason: str = "") -> PointView:
    """From the published JSON form of a fit."""
    ellipse = fit.get("ellipse") or {}
    point, covariance, next_start = fit.get("point_m"), fit.get("covariance_m2"), fit.get("next_start_m")
    inverse = [float(k) for _, k in fit.get("region") or []]
    nearest, farthest = nan, nan
    if inverse:
        nearest = 1 / max(inverse) if max(inverse) > 0 else nan
        farthest = 1 / min(inverse) if min(inverse) > 0 else float("inf")
    return PointView(
        attempts=int(fit.get("attempts", 0)),
        used=int(fit.get("used", 0)),
        point_m=None if point is None else np.array(point, dtype=float),
        covariance_m2=None if covariance is None else np.array(covariance, dtype=float),
        semi_major_m=_measured(ellipse.get("semi_major_m")),
        semi_minor_m=_measured(ellipse.get("semi_minor_m")),
        angle_rad=radians(_measured(ellipse.get("angle_deg"))),
        direction_rad=radians(_measured(fit.get("direction_deg"))),
        inverse_distance_per_m=_measured(fit.get("inverse_distance_per_m")),
        nearest_m=nearest,
        farthest_m=farthest,
        spread_deg=_measured(fit.get("spread_deg")),
        one_point=str(fit.get("one_point") or ""),
        worst_extra_m=_measured((fit.get("one_point_detail") or {}).get("extra_miss_at_most_m")),
        pooled=tuple(_pooled(entry) for entry in fit.get("pooled") or []),
        reason=reason or str(fit.get("reason") or ""),
        sessions=str((fit.get("sessions") or {}).get("verdict", "")),
        days=str((fit.get("days") or {}).get("verdict", "")),
        moves_m=_moves_m(fit),
        mirrored=str((fit.get("mirrored") or {}).get("verdict", "")),
        next_start_m=None if next_start is None else np.array(next_start, dtype=float),
    )


def _moves_m(fit: dict[str, Any]) -> float:
    turn_deg = _measured(((fit.get("sessions") or fit.get("days")) or {}).get("direction_sd_between_deg"))
    away = _measured(fit.get("inverse_distance_per_m"))
    return radians(turn_deg) / abs(away) if fit.get("point_m") is not None and away else nan


def rail_facing(place_m: Vector, table: Table, first: Rail | None = None) -> Rail | None:
    """The rail to measure a point from: ``first`` (the shot's first) if it lies beyond that, else the one it lies
    farthest beyond; None for a point on the table."""
    if first is not None and outside_m(place_m, first, table) > 0:
        return first
    beyond = {rail: outside_m(place_m, rail, table) for rail in RAILS}
    rail = max(beyond, key=lambda name: beyond[name])
    return rail if beyond[rail] > 0 else None


def outside_m(place_m: Vector, rail: Rail, table: Table) -> float:
    """How far a point lies beyond the nose line of a rail, metres; negative on the table's side."""
    x, y = float(place_m[0]), float(place_m[1])
    return {"head": -x, "foot": x - table.length_m, "right": -y, "left": y - table.width_m}[rail]


def _pooled(entry: dict[str, Any]) -> str:
    """``english left (3), none (4)``."""
    return f"{entry['by']} " + ", ".join(f"{value} ({count})" for value, count in entry["attempts"].items())


def _measured(value: Any) -> float:
    return nan if value is None else float(value)


def distance_m(view: PointView) -> float:
    """Distance of the point from the table's centre, infinity for parallel lines."""
    return 1 / abs(view.inverse_distance_per_m) if view.inverse_distance_per_m else float("inf")
