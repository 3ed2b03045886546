"""The convergence point of a fit as pages and drawings need it, and told as a person would measure it."""

from dataclasses import dataclass
from math import cos, degrees, isfinite, nan, radians, sin
from typing import Any

import numpy as np

from app.margins.shot_margins import image_m
from app.telling.lengths import ball_widths, measured_length, rough_length
from app.telling.place_words import place_words
from app.telling.rounding import told
from app.telling.words import corner_on, counting_corner
from calibration.table import CORNERS, INCH_M, RAILS, Corner, Rail, Table, Vector
from vision.shot import Shot

# Beyond this many table lengths the word is "far": no one sets up a mark there.
FAR_TABLE_LENGTHS = 10.0
# Farther past a corner than this a tape is laid, not sights counted.
MOST_SIGHTS_PAST = 2.0
ONE_POINT = {
    "enough": "For the starts seen, aiming at this one point is good enough.",
    "not enough": "One point is not good enough for all the starts seen: the lines do not meet in one.",
    "cannot tell": "Whether one point is good enough cannot be told yet.",
}
MOVED = {
    "moved": "the point has moved, by more than chance would do",
    "not moved": "the point has stayed where it was, for all that can be told",
}
CORNERS_DIFFER = {
    "moved": "From the mirrored corners the points differ, by more than chance would do.",
    "not moved": "From the mirrored corners the points are the same, for all that can be told.",
    "cannot tell": "Whether the points from the mirrored corners differ cannot be told yet.",
}
# Nearer than this to a corner is at the corner.
SIGHTS_AT_CORNER = 0.03


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


def tell_point(view: PointView, shot: Shot | None, table: Table) -> list[str]:
    """Plain sentences: where the point is, how sure that is, and what the attempts scatter by.

    Without a shot, sights are counted from the foot-right corner.
    """
    if not view.attempts:
        return ["No point yet: there are no attempts."]
    corner = counting_corner(shot, table) if shot is not None else "foot-right"
    if not view.fitted:
        why = view.reason.rstrip(".") or "too few attempts with a measured line and miss"
        return [f"No point yet: {why}.", *tell_next_start(view, corner, table)]
    sentences = [*_place(view, shot.rails[0] if shot is not None else None, corner, table)]
    sentences.append(f"Told from {view.used} of {view.attempts} attempts{_scatter(view, shot, table)}.")
    if view.one_point in ONE_POINT:
        sentence = ONE_POINT[view.one_point]
        if isfinite(view.worst_extra_m):
            sentence += f" At the worst start it costs up to {rough_length(view.worst_extra_m)}."
        sentences.append(sentence)
    if view.point_m is None or view.one_point == "cannot tell":
        sentences += tell_next_start(view, corner, table)
    sentences += [_moved(view, verdict, what) for verdict, what in _over_time(view) if verdict in MOVED]
    sentences += [CORNERS_DIFFER[verdict] for verdict in [view.mirrored] if verdict in CORNERS_DIFFER]
    return sentences + [f"Thrown together here: {entry}." for entry in view.pooled]


def _scatter(view: PointView, shot: Shot | None, table: Table) -> str:
    """How far the lines needed scatter round the point, at the target: the coach's table has the angle."""
    image = image_m(shot, table)
    if image is None or not view.spread_deg > 0:
        return ""
    away_m = float(np.hypot(*(image - table.centre_m)))
    return (
        f"; the lines needed scatter round it by {ball_widths(radians(view.spread_deg) * away_m, table)} at the target"
    )


def _over_time(view: PointView) -> tuple[tuple[str, str], ...]:
    return (view.sessions, "session"), (view.days, "day")


def _moved(view: PointView, verdict: str, what: str) -> str:
    by = f": typically {rough_length(view.moves_m)} to the side" if verdict == "moved" and view.moves_m > 0 else ""
    return f"From {what} to {what} {MOVED[verdict]}{by}."


def _moves_m(fit: dict[str, Any]) -> float:
    turn_deg = _measured(((fit.get("sessions") or fit.get("days")) or {}).get("direction_sd_between_deg"))
    away = _measured(fit.get("inverse_distance_per_m"))
    return radians(turn_deg) / abs(away) if fit.get("point_m") is not None and away else nan


def tell_next_start(view: PointView, corner: Corner, table: Table) -> list[str]:
    if view.next_start_m is None:
        return []
    return [
        f"An attempt from {place_words(view.next_start_m, corner, table)} from the {corner} corner would tell most."
    ]


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


def tell_outside(view: PointView, place_m: Vector, rail: Rail, table: Table) -> str:
    """How far the point lies beyond the nose line of a rail, to the digits that are known, in words and pictures."""
    return measured_length(outside_m(place_m, rail, table), _sd(view, 0 if rail in ("head", "foot") else 1))


def _place(view: PointView, first: Rail | None, corner: Corner, table: Table) -> list[str]:
    if view.point_m is None:
        return _far(view, corner, table)
    point = view.point_m
    rail = rail_facing(point, table, first)
    behind = " The lines spread: it lies behind the shooter." if view.spreading else ""
    if rail is None:
        end, side = corner.split("-")
        along = table.diamonds_along(point, side, corner)  # type: ignore[arg-type]
        across = table.diamonds_along(point, end, corner)  # type: ignore[arg-type]
        where = (
            f"The point lies on the table, {_sights(along, _sd(view, 0) / table.diamond_m)} along and "
            f"{_sights(across, _sd(view, 1) / table.diamond_m)} across from the {corner} corner."
        )
        return [where + behind, tell_ellipse(view)]
    axis = 0 if rail in ("head", "foot") else 1
    out_m = outside_m(point, rail, table)
    out_sd, along_sd = _sd(view, axis), _sd(view, 1 - axis)
    from_corner = corner_on(rail, corner)
    spacing = table.length_m / 8 if axis == 1 else table.width_m / 4
    count = table.diamonds_along(point, rail, from_corner)
    if count > (total := 8 if axis == 1 else 4):
        # Past the rail's other end: told from there.
        from_corner, count = _other_end(rail, from_corner), total - count
    if count < -MOST_SIGHTS_PAST:
        at = f"{rough_length(-count * spacing)} past the {from_corner} corner"
    elif abs(count) < SIGHTS_AT_CORNER:
        at = f"level with the {from_corner} corner"
    elif count < 0:
        at = f"{_sights(-count, along_sd / spacing)} past the {from_corner} corner"
    else:
        at = f"level with {_sights(count, along_sd / spacing)} from the {from_corner} corner"
    where = (
        f"The point lies {tell_outside(view, point, rail, table)} "
        f"({told(out_m / INCH_M, out_sd / INCH_M, finest=0)} in) straight out from the nose of the {rail} rail, {at}."
    )
    return [where + behind, tell_ellipse(view)]


def _other_end(rail: Rail, corner: Corner) -> Corner:
    return next(other for other in CORNERS if rail in other.split("-") and other != corner)


def tell_ellipse(view: PointView) -> str:
    """The ellipse along and across the line of sight from the table's centre, when it lies about that way."""
    major, minor = rough_length(view.semi_major_m), rough_length(view.semi_minor_m)
    turn = abs((view.angle_rad - view.direction_rad + np.pi / 2) % np.pi - np.pi / 2)
    if turn < radians(30):
        ways = f"{major} either way along the line of aim and {minor} across it"
    elif turn > radians(60):
        ways = f"{major} either way across the line of aim and {minor} along it"
    else:
        ways = (
            f"{major} either way at {degrees(view.angle_rad) % 180:.0f}° to the long rails and {minor} square to that"
        )
    return f"The ellipse, in which it lies 19 times in 20, reaches {ways}."


def _far(view: PointView, corner: Corner, table: Table) -> list[str]:
    way = _way(view.direction_rad, corner, table)
    if isfinite(view.nearest_m) and view.nearest_m < FAR_TABLE_LENGTHS * table.length_m:
        near = f"no nearer than {rough_length(view.nearest_m)} from the table's middle and with no far bound"
    else:
        near = "too far away to be told from no point at all"
    return [
        f"The lines run almost parallel, {way}.",
        f"The point, if there is one, lies {near}; attempts from starts farther apart would tell.",
    ]


def _way(direction_rad: float, corner: Corner, table: Table) -> str:
    """Where a direction from the table's middle leaves it, in sights."""
    ray = np.array([cos(direction_rad), sin(direction_rad)])
    reach = [(half / abs(part) if part else np.inf) for half, part in zip(table.centre_m, ray, strict=True)]
    axis = int(np.argmin(reach))
    rail: Rail = ("head" if ray[0] < 0 else "foot") if axis == 0 else ("right" if ray[1] < 0 else "left")
    corner = corner_on(rail, corner)
    count = table.diamonds_of_line(table.centre_m, direction_rad, rail, corner, at="sight")
    return (
        f"as the line from the table's middle over the {rail} rail at its sight {told(count, nan, finest=1)} "
        f"from the {corner} corner"
    )


def _sd(view: PointView, axis: int) -> float:
    return nan if view.covariance_m2 is None else float(np.sqrt(max(view.covariance_m2[axis, axis], 0.0)))


def _sights(count: float, sd: float) -> str:
    text = told(count, sd, finest=2)
    return f"{text} sight{'' if text == '1' else 's'}"


def _pooled(entry: dict[str, Any]) -> str:
    """``english left (3), none (4)``."""
    return f"{entry['by']} " + ", ".join(f"{value} ({count})" for value, count in entry["attempts"].items())


def _measured(value: Any) -> float:
    return nan if value is None else float(value)


def distance_m(view: PointView) -> float:
    """Distance of the point from the table's centre, infinity for parallel lines."""
    return 1 / abs(view.inverse_distance_per_m) if view.inverse_distance_per_m else float("inf")
