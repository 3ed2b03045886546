"""The table to scale with every attempt's legs and the lines carried on to the convergence point, as SVG.

On the page x runs to the right (head rail at the left) and y up; one unit of the view box is a millimetre. Made
attempts are solid lines that end in a disc, missed ones are dashed and end in a cross, unclear ones are dotted and end
in a square, so that no reader depends on the colours.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from math import cos, degrees, isfinite, sin

import numpy as np

from app.telling.lengths import rough_length
from app.telling.point_view import PointView, distance_m, rail_facing
from app.telling.point_words import tell_outside
from app.telling.svg import Place, Svg
from app.telling.table_drawing import draw_scale, draw_table, mm
from app.telling.words import tell_attempt
from calibration.table import Rail, Table, Vector
from vision.reading import Attempt, BallHit
from vision.shot import Shot

# Room round the table for numbers and names, and how far beyond the noses the view follows a point.
BORDER_M = 0.30
BORDER_BELOW_M = 0.46
REACH_TABLE_WIDTHS = 1.7
# Where a point is out of view, this much is shown beyond the nose, for the lines and the arrow.
GLIMPSE_TABLE_WIDTHS = 0.45
# More attempts than this are drawn thin and without numbers.
MANY = 14
MARK_M = 0.026


@dataclass(frozen=True)
class View:
    """What part of the floor is drawn, metres."""

    x0: float
    y0: float
    x1: float
    y1: float

    def holds(self, place_m: Vector) -> bool:
        return bool(self.x0 <= place_m[0] <= self.x1 and self.y0 <= place_m[1] <= self.y1)


def draw_practice(
    attempts: Sequence[tuple[int, Attempt]],
    shot: Shot,
    table: Table,
    point: PointView | None = None,
    *,
    standalone: bool = False,
    anchor: str = "",
) -> str:
    """The picture of a practice at one shot.

    Parameters
    ----------
    attempts : numbers and attempts.
    point : the fitted point; None draws no lines beyond the table.
    standalone : carry the style along, for a file of its own; a page has it in its style sheet.
    anchor : when given, attempt k links to ``#{anchor}{k}``.
    """
    view = view_of(table, point)
    width, height = 1000 * (view.x1 - view.x0), 1000 * (view.y1 - view.y0)
    svg = Svg(1000 * view.x0, -1000 * view.y1, width, height, cls="table-drawing")
    svg.title(f"{shot.name}: {len(attempts)} attempt{'' if len(attempts) == 1 else 's'} on a {table.name} table")
    draw_table(svg, table, shot)
    if point is not None and point.fitted:
        for _, attempt in attempts:
            _needed_line(svg, attempt, point, view)
    with svg.group(cls="attempts many" if len(attempts) > MANY else "attempts"):
        for number, attempt in attempts:
            _attempt(svg, number, attempt, shot, table, anchor)
    if point is not None and point.fitted:
        draw_point(svg, point, shot.rails[0], table, view)
    draw_scale(svg, table)
    return svg.text(style=drawing_style() if standalone else "")


def drawing_style() -> str:
    return (files("app.web") / "static" / "drawing.css").read_text(encoding="utf-8")


def legs(attempt: Attempt, shot: Shot, table: Table) -> tuple[list[Vector], list[Vector]]:
    """The path in two parts: up to where the ball arrived after the last rail named, and what came after.

    It arrives at the first thing it meets there: a ball, another rail, a pocket, or where it stops. Unmeasured places
    are left out.
    """
    # Sorting is stable: a contact of unknown time stays after those before it.
    events = [(c.t_s, c.at_m, True) for c in attempt.contacts]
    events += [(c.t_s, _own_place(c, attempt), False) for c in attempt.ball_contacts if attempt.ball in c.balls]
    events += [(p.t_s, table.mouth_m(p.pocket), False) for p in attempt.pocketed if p.ball == attempt.ball]
    events.sort(key=lambda event: event[0] if isfinite(event[0]) else float("inf"))
    last_m = attempt.path_m[-1, 1:] if len(attempt.path_m) else None
    places = [attempt.start_m]
    arrived: int | None = None
    rails_met = 0
    for _, at_m, is_rail in events:
        if rails_met >= len(shot.rails) and arrived is None:
            arrived = len(places)
        places.append(at_m)
        rails_met += is_rail
    # The path goes on until the ball is taken up, so its end is of use only where nothing was met.
    if arrived is None:
        arrived = len(places) - 1
        if last_m is not None:
            places.append(last_m)
            arrived += 1
    known = [bool(np.isfinite(p).all()) for p in places]
    before = [p for p, ok in zip(places[: arrived + 1], known[: arrived + 1], strict=True) if ok]
    after = [p for p, ok in zip(places[arrived:], known[arrived:], strict=True) if ok]
    return before, after if len(after) > 1 else []


def _own_place(hit: BallHit, attempt: Attempt) -> Vector:
    """Where the ball of the attempt was at a contact, (2,): a contact tells where its first ball was."""
    path = attempt.path_m
    if hit.balls[0] == attempt.ball or not len(path) or not isfinite(hit.t_s):
        return hit.at_m
    return np.array([np.interp(hit.t_s, path[:, 0], path[:, axis]) for axis in (1, 2)])


def _attempt(svg: Svg, number: int, attempt: Attempt, shot: Shot, table: Table, anchor: str) -> None:
    before, after = legs(attempt, shot, table)
    if not before:
        return
    words = tell_attempt(attempt, shot, table)
    title = f"Attempt {number}: {words.outcome}, {words.miss}; {words.speed}"
    outcome = attempt.outcome if attempt.outcome in ("made", "missed") else "unclear"
    with svg.group(cls=f"attempt {outcome}", title=title, href=f"#{anchor}{number}" if anchor else ""):
        if len(before) > 1:
            svg.polyline([mm(p) for p in before], cls="leg")
        if after:
            svg.polyline([mm(p) for p in after], cls="after")
        svg.circle(mm(before[0]), 1000 * table.ball_radius_m, cls="start")
        _end(svg, mm(before[-1]), outcome)
        x, y = mm(before[0])
        svg.label((x, y + 1000 * table.ball_radius_m + 62), str(number))


def _end(svg: Svg, at: Place, outcome: str) -> None:
    x, y = at
    r = 1000 * MARK_M
    if outcome == "made":
        svg.circle(at, r * 0.8, cls="end")
    elif outcome == "missed":
        svg.line((x - r, y - r), (x + r, y + r), cls="end")
        svg.line((x - r, y + r), (x + r, y - r), cls="end")
    else:
        svg.rectangle((x - r, y - r), 2 * r, 2 * r, cls="end")


def needed_bearing_rad(attempt: Attempt) -> float:
    """The bearing that would have made it, to first order; NaN when the miss was not measured."""
    return attempt.bearing_rad - attempt.miss_m / attempt.miss_per_rad_m if attempt.miss_per_rad_m else float("nan")


def _needed_line(svg: Svg, attempt: Attempt, point: PointView, view: View) -> None:
    """From the start along the line needed to the edge of the view, or just past the point."""
    bearing = needed_bearing_rad(attempt)
    if not (isfinite(bearing) and np.isfinite(attempt.start_m).all() and view.holds(attempt.start_m)):
        return
    ray = np.array([cos(bearing), sin(bearing)])
    if point.spreading and point.point_m is not None:
        ray = -ray
    length = to_edge(attempt.start_m, ray, view)
    if point.point_m is not None:
        past = max(0.12, 1.2 * point.semi_major_m) if isfinite(point.semi_major_m) else 0.12
        length = min(length, float(np.hypot(*(point.point_m - attempt.start_m))) + past)
    svg.line(mm(attempt.start_m), mm(attempt.start_m + length * ray), cls="needed")


def draw_point(svg: Svg, point: PointView, first: Rail, table: Table, view: View) -> None:
    """The point with its ellipse and the tape to it; out of view an arrow towards it."""
    if point.point_m is None or not view.holds(point.point_m):
        _arrow(svg, point, table, view)
        return
    at = mm(point.point_m)
    if isfinite(point.semi_major_m) and isfinite(point.semi_minor_m):
        svg.ellipse(
            at, (1000 * point.semi_major_m, 1000 * point.semi_minor_m), -degrees(point.angle_rad), cls="ellipse"
        )
    x, y = at
    # Four ticks round the point: a full cross would hide a small ellipse.
    near, far = 28, 72
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        svg.line((x + near * dx, y + near * dy), (x + far * dx, y + far * dy), cls="cross")
    rail = rail_facing(point.point_m, table, first)
    if rail is not None:
        _measure(svg, point, point.point_m, rail, table, view)


def _measure(svg: Svg, point: PointView, place_m: Vector, rail: Rail, table: Table, view: View) -> None:
    """The tape from the rail's nose straight out to the point, with its length."""
    foot = place_m.copy()
    foot[0 if rail in ("head", "foot") else 1] = {
        "head": 0.0,
        "foot": table.length_m,
        "right": 0.0,
        "left": table.width_m,
    }[rail]
    svg.line(mm(foot), mm(place_m), cls="measure")
    # Near the rail, where the lines still stand apart; on the lower side clear of the scale.
    middle = mm(foot + (0.6 if rail == "right" else 0.3) * (place_m - foot))
    text = tell_outside(point, place_m, rail, table)
    if rail in ("head", "foot"):
        svg.label((middle[0], middle[1] - 40), text, cls="point-label")
        return
    # Beside the tape, on the side with more room.
    right_has_room = view.x1 - place_m[0] > 0.62
    svg.label(
        (middle[0] + (40 if right_has_room else -40), middle[1]),
        text,
        anchor="start" if right_has_room else "end",
        cls="point-label",
    )


def _arrow(svg: Svg, point: PointView, table: Table, view: View) -> None:
    """An arrow at the edge of the view towards a point that is not in it, with its distance."""
    ray = np.array([cos(point.direction_rad), sin(point.direction_rad)])
    if point.spreading and point.point_m is not None:
        ray = -ray
    reach = to_edge(table.centre_m, ray, view)
    tip = table.centre_m + (reach - 0.04) * ray
    side = np.array([-ray[1], ray[0]])
    svg.line(mm(tip - 0.34 * ray), mm(tip - 0.05 * ray), cls="arrow")
    svg.polygon([mm(tip), mm(tip - 0.09 * ray + 0.035 * side), mm(tip - 0.09 * ray - 0.035 * side)], cls="arrow-head")
    text = "almost parallel" if point.point_m is None else f"point {rough_length(distance_m(point))} from the middle"
    x, y = mm(tip - 0.2 * ray)
    on_right = tip[0] > table.centre_m[0]
    svg.label((x - 70 if on_right else x + 70, y), text, anchor="end" if on_right else "start", cls="point-label")


def view_of(table: Table, point: PointView | None) -> View:
    """The table with room round it, and the point if it is in reach."""
    view = [-BORDER_M, -BORDER_BELOW_M, table.length_m + BORDER_M, table.width_m + BORDER_M]
    if point is None or not point.fitted:
        return View(*view)
    reach = REACH_TABLE_WIDTHS * table.width_m
    x, y = point.point_m if point.point_m is not None else (float("inf"), float("inf"))
    if -reach <= x <= table.length_m + reach and -reach <= y <= table.width_m + reach:
        room = 0.15 + (min(point.semi_major_m, 0.4) if isfinite(point.semi_major_m) else 0.0)
        return View(min(view[0], x - room), min(view[1], y - room), max(view[2], x + room), max(view[3], y + room))
    # Not in reach: a glimpse beyond the rail on that side.
    ray = np.array([cos(point.direction_rad), sin(point.direction_rad)])
    if point.spreading and point.point_m is not None:
        ray = -ray
    glimpse = GLIMPSE_TABLE_WIDTHS * table.width_m
    if abs(ray[0]) * table.width_m > abs(ray[1]) * table.length_m:
        view[0 if ray[0] < 0 else 2] += -glimpse if ray[0] < 0 else glimpse
    else:
        view[1 if ray[1] < 0 else 3] += -glimpse if ray[1] < 0 else glimpse
    return View(*view)


def to_edge(start_m: Vector, ray: Vector, view: View) -> float:
    """Distance along a unit vector from a place in the view to its edge."""
    reach = [np.inf, np.inf]
    for axis, (low, high) in enumerate(((view.x0, view.x1), (view.y0, view.y1))):
        if abs(ray[axis]) > 1e-12:
            reach[axis] = ((high if ray[axis] > 0 else low) - start_m[axis]) / ray[axis]
    return float(min(reach))
