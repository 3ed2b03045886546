"""The lines beside the best ones, place by place, as SVG: which stayed within the margins, and how they scatter.

One panel a shot and player. Up is to the left, in degrees of the cue ball's line; the band is the margin at each place.
"""

from collections.abc import Callable
from math import ceil, degrees, isfinite, log10

import numpy as np

from app.stroke.from_log import ShotStroke, StrokeAnswer
from app.telling.drawing import drawing_style
from app.telling.svg import Svg
from calibration.table import Vector

WIDTH, HEIGHT, GAP = 2700.0, 1440.0, 120.0
LEFT, RIGHT, TOP, BOTTOM = 270.0, 40.0, 260.0, 250.0
DOT, CROSS = 18.0, 18.0
# Lines farther out than this many times the wider of margin and spread are drawn at the edge.
FARTHEST = 2.5
MOST_LABELS = 6


def draw_strokes(answer: StrokeAnswer, *, standalone: bool = False) -> str:
    """The picture of an answer. ``standalone`` carries the style along, for a file of its own."""
    return draw_panels([s for s in answer.strokes if _off_deg(s).size], standalone=standalone)


def draw_panels(strokes: list[ShotStroke], *, standalone: bool = False) -> str:
    height = max(len(strokes), 1) * (HEIGHT + GAP) - GAP
    svg = Svg(0, 0, WIDTH, height, cls="table-drawing")
    svg.title("Lines beside the best ones, by place")
    for k, s in enumerate(strokes):
        _panel(svg, s, k * (HEIGHT + GAP))
    return svg.text(style=drawing_style() if standalone else "")


def _panel(svg: Svg, s: ShotStroke, top: float) -> None:
    lines, places = s.stroke.lines, s.places
    off = np.degrees(s.stroke.lines.error_rad - lines.best_rad)
    reach = _reach(s, off)
    middle, half_height = top + TOP + (HEIGHT - TOP - BOTTOM) / 2, (HEIGHT - TOP - BOTTOM) / 2
    right = WIDTH - RIGHT

    def level(value_deg: float) -> float:
        return middle - half_height * float(np.clip(value_deg / reach, -1, 1))

    title = f"{s.shot.name}{f', {s.player}' if s.player else ''}"
    svg.label((LEFT, top + 90), title, anchor="start", cls="panel-name")
    # In a line of its own: a long name would run into it.
    svg.label((LEFT, top + 195), "↑ to the left", anchor="start", cls="count")
    _scale(svg, reach, level, right)
    column = (right - LEFT) / max(len(places), 1)
    every = ceil(len(places) / MOST_LABELS)
    for k, place in enumerate(places):
        left = LEFT + k * column
        if isfinite(place.half_rad):
            edge = degrees(place.half_rad)
            svg.rectangle((left + 8, level(edge)), column - 16, level(-edge) - level(edge), radius=10, cls="band")
        members = np.flatnonzero(place.members)
        for j, index in enumerate(members):
            if isfinite(off[index]):
                x = left + column * (j + 1) / (len(members) + 1)
                _mark(svg, x, level(float(off[index])), s, int(index), float(off[index]))
        if isfinite(place.off_best_rad):
            y = level(degrees(place.off_best_rad))
            svg.line((left + 8, y), (left + column - 8, y), cls="mean")
        if k % every == 0:
            along = s.table.diamonds_along(place.start_m, s.corner.split("-")[1], s.corner)  # type: ignore[arg-type]
            svg.label((left + column / 2, top + HEIGHT - 140), f"{along:.1f}", cls="count")
    svg.label(((LEFT + right) / 2, top + HEIGHT - 20), f"start, sights from the {s.corner} corner", cls="count")


def _mark(svg: Svg, x: float, y: float, s: ShotStroke, index: int, off_deg: float) -> None:
    kind = "unclear" if not s.told[index] else "made" if s.made[index] else "missed"
    number = s.stroke.lines.attempts[index].number
    side = "left" if off_deg > 0 else "right"
    with svg.group(cls=kind, title=f"attempt {number}: {abs(off_deg):.2f}° to the {side} of the best line, {kind}"):
        if kind == "missed":
            svg.line((x - CROSS, y - CROSS), (x + CROSS, y + CROSS), cls="end")
            svg.line((x - CROSS, y + CROSS), (x + CROSS, y - CROSS), cls="end")
        else:
            svg.circle((x, y), DOT, cls="end")


def _scale(svg: Svg, reach: float, level: Callable[[float], float], right: float) -> None:
    step = _step(reach)
    for k in range(-int(reach / step), int(reach / step) + 1):
        y = level(k * step)
        svg.line((LEFT, y), (right, y), cls="zero" if k == 0 else "rule")
        text = "best" if k == 0 else f"{abs(k) * step:g}°"
        svg.label((LEFT - 24, y + 20), text, anchor="end", cls="count")


def _reach(s: ShotStroke, off_deg: Vector) -> float:
    """Degrees to the edge: all lines, but for those that would press the others together."""
    margin = max((degrees(p.half_rad) for p in s.places if isfinite(p.half_rad)), default=0.0)
    spread = degrees(s.stroke.spread.spread_rad) if s.stroke.spread.known else 0.0
    widest = float(np.nanmax(np.abs(off_deg))) if np.isfinite(off_deg).any() else 0.0
    most = FARTHEST * max(margin, spread)
    return 1.1 * max(min(widest, most) if most > 0 else widest, 1.2 * margin, 1e-3)


def _step(reach: float) -> float:
    """Two to four rules to either side, at 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(log10(reach / 2))
    return float(next(m * power for m in (5, 2, 1) if m * power <= reach / 2))


def _off_deg(s: ShotStroke) -> Vector:
    off = np.degrees(s.stroke.lines.error_rad - s.stroke.lines.best_rad)
    known: Vector = off[np.isfinite(off)]
    return known
