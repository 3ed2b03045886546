"""The convergence point told as a person would measure it: from the rail by tape, in sights, with its ellipse."""

from math import cos, degrees, isfinite, nan, radians, sin

import numpy as np

from app.margins.shot_margins import image_m
from app.telling.lengths import ball_widths, measured_length, rough_length
from app.telling.place_words import place_words
from app.telling.point_view import PointView, outside_m, rail_facing
from app.telling.rounding import told
from app.telling.words import corner_on, counting_corner
from calibration.table import CORNERS, INCH_M, Corner, Rail, Table, Vector
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


def tell_next_start(view: PointView, corner: Corner, table: Table) -> list[str]:
    if view.next_start_m is None:
        return []
    return [
        f"An attempt from {place_words(view.next_start_m, corner, table)} from the {corner} corner would tell most."
    ]


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
