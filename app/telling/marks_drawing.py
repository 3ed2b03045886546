"""The room as SVG: the table, the walls, the marks in it, the point, and the scale of marks on the walls; for one mark
also from where over the table it is good enough, told by the shape of the sign."""

import numpy as np

from app.fitting import lines
from app.room.aims import POINT
from app.room.from_log import MarksAnswer
from app.room.mark_quality import MarkQuality, Verdict
from app.room.wall_scale import WallMark
from app.room.walls import Wall
from app.telling.aim_card_drawing import view_box
from app.telling.drawing import View, draw_point, drawing_style, view_of
from app.telling.marks_words import SAID, scale_place, verdict_of
from app.telling.svg import Svg
from app.telling.table_drawing import draw_scale, draw_table, mm
from calibration.table import Vector

# Walls and marks farther than this from the table are left out, and so much is shown round those that are not.
REACH_M = 3.0
ROUND_M = 0.22
MARK_M = 0.03
TICK_M = 0.06
BETWEEN_FIGURES_M = 0.1
SIGN_M = 0.028


def draw_marks(answer: MarksAnswer, *, mark: str | None = None, standalone: bool = False) -> str:
    """The picture of the room; ``mark`` names the one that is judged over the table. ``standalone`` carries the style
    along, for a file of its own."""
    table, point = answer.table, answer.practice.point
    view = _view(answer)
    svg = Svg(*view_box(view), cls="table-drawing")
    shot = answer.practice.shot
    svg.title(f"{shot.name}: {'marks in the room' if mark is None else f'from where {mark} is good enough'}")
    draw_table(svg, table, shot, answer.corner)
    with svg.group(cls="walls"):
        for wall in answer.walls:
            _wall(svg, wall, view)
    chosen = next((k for k, judged in enumerate(answer.judged_over) if judged.aim.name == mark), None)
    if chosen is not None:
        with svg.group(cls="verdicts"):
            _verdicts(svg, answer, answer.judged_over[chosen])
    else:
        with svg.group(cls="wall-scale"):
            last: Vector | None = None
            for one in answer.scale:
                if one.at is None or not view.holds(one.at.place_m):
                    continue
                # Figures stand where they do not run into one another.
                numbered = last is None or float(np.hypot(*(one.at.place_m - last))) >= BETWEEN_FIGURES_M
                last = one.at.place_m if numbered else last
                _on_wall(svg, answer, one, one.at.place_m, numbered=numbered)
    if point.fitted:
        draw_point(svg, point, shot.rails[0], table, view)
    with svg.group(cls="marks"):
        for judged in answer.judged:
            if judged.aim.name != POINT and mark in (None, judged.aim.name):
                _mark(svg, judged, view)
    draw_scale(svg, table)
    return svg.text(style=drawing_style() if standalone else "")


def _view(answer: MarksAnswer) -> View:
    """The table and the point, and the walls and marks that are not too far off."""
    table = answer.table
    view = view_of(table, answer.practice.point)
    met = {mark.at.wall for mark in answer.scale if mark.at is not None}
    places = [end for wall in answer.walls for end in _near_parts(wall, answer) if wall.name in met]
    places += [judged.aim.place_m for judged in answer.judged if judged.aim.place_m is not None]
    low, high = np.full(2, -REACH_M), np.array([table.length_m, table.width_m]) + REACH_M
    within = [place for place in places if bool(((place >= low) & (place <= high)).all())]
    x = [view.x0, view.x1, *(float(p[0]) - ROUND_M for p in within), *(float(p[0]) + ROUND_M for p in within)]
    y = [view.y0, view.y1, *(float(p[1]) - ROUND_M for p in within), *(float(p[1]) + ROUND_M for p in within)]
    return View(min(x), min(y), max(x), max(y))


def _near_parts(wall: Wall, answer: MarksAnswer) -> list[Vector]:
    """The ends of a wall; of one behind a rail the place straight behind the table's middle, so that the wall is seen
    even where it runs on."""
    if wall.rail is None:
        return [wall.begin_m, wall.end_m]
    return [wall.begin_m + wall.along * wall.reach(answer.table.centre_m)]


def _wall(svg: Svg, wall: Wall, view: View) -> None:
    part = clipped(wall.begin_m, wall.end_m, view)
    if part is None:
        return
    with svg.group(title=wall.name):
        svg.line(mm(part[0]), mm(part[1]), cls="wall")


def clipped(begin_m: Vector, end_m: Vector, view: View) -> tuple[Vector, Vector] | None:
    """The part of a line within a view; None when it has none (Liang and Barsky's clipping, 1984)."""
    way = end_m - begin_m
    first, last = 0.0, 1.0
    for axis, (low, high) in enumerate(((view.x0, view.x1), (view.y0, view.y1))):
        if abs(way[axis]) < 1e-12:
            if not low <= begin_m[axis] <= high:
                return None
            continue
        one, other = sorted((low - begin_m[axis], high - begin_m[axis]), key=lambda v: v / way[axis])
        first, last = max(first, one / way[axis]), min(last, other / way[axis])
    return (begin_m + first * way, begin_m + last * way) if first < last else None


def _on_wall(svg: Svg, answer: MarksAnswer, mark: WallMark, place: Vector, *, numbered: bool) -> None:
    heading = lines.unit(np.array(mark.bearing_rad))
    said = f"over sight {mark.near_sight:g} of the {answer.near} rail: {scale_place(mark)}"
    with svg.group(cls="scale-mark" if mark.seen else "scale-mark unseen", title=said):
        svg.line(mm(mark.near_m), mm(place), cls="needed")
        svg.line(mm(place - TICK_M * heading), mm(place + TICK_M * heading), cls="tick")
        if numbered:
            x, y = mm(place + (TICK_M + 0.075) * heading)
            svg.label((x, y + 20), f"{mark.near_sight:g}", cls="count")


def _mark(svg: Svg, judged: MarkQuality, view: View) -> None:
    place = judged.aim.place_m
    if place is None or not view.holds(place):
        return
    x, y = mm(place)
    r = 1000 * MARK_M
    with svg.group(title=judged.aim.name):
        svg.polygon([(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)], cls="mark")
        right = view.x1 - place[0] > 0.8
        svg.label(
            (x + (2 if right else -2) * r, y + 20), judged.aim.name, anchor="start" if right else "end", cls="mark-name"
        )


def _verdicts(svg: Svg, answer: MarksAnswer, judged: MarkQuality) -> None:
    over = answer.over
    for k, start in enumerate(over.start_m):
        verdict = verdict_of(judged, answer, k)
        with svg.group(title=f"{over.along[k]:g} along, {over.across[k]:g} across: {SAID[verdict]}"):
            _sign(svg, start, verdict)


def _sign(svg: Svg, at_m: Vector, verdict: Verdict) -> None:
    x, y = mm(at_m)
    r = 1000 * SIGN_M
    if verdict == "good enough":
        svg.circle((x, y), r, cls="verdict-good")
    elif verdict == "not":
        svg.line((x - r, y - r), (x + r, y + r), cls="verdict-not")
        svg.line((x - r, y + r), (x + r, y - r), cls="verdict-not")
    elif verdict == "cannot tell":
        svg.circle((x, y), r, cls="verdict-open")
    else:
        svg.line((x - 0.6 * r, y), (x + 0.6 * r, y), cls="no-line")
