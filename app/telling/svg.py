"""A small SVG writer: the same input gives the same text, so that pictures can be compared line by line."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape

Place = tuple[float, float]


def number(value: float) -> str:
    """One decimal, none for whole numbers, and never a minus zero."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


class Svg:
    """Collects elements; ``text()`` gives the document. Coordinates are those of the view box."""

    def __init__(self, left: float, top: float, width: float, height: float, *, cls: str = "") -> None:
        box = " ".join(number(v) for v in (left, top, width, height))
        self._open = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}"{_attributes(cls)}>'
        self._lines: list[str] = []
        self._depth = 1

    def text(self, *, style: str = "") -> str:
        """The document; ``style`` is CSS to carry along when the picture stands alone."""
        head = [self._open] + ([f"  <style>\n{style.strip()}\n  </style>"] if style else [])
        return "\n".join([*head, *self._lines, "</svg>"]) + "\n"

    @contextmanager
    def group(self, *, cls: str = "", title: str = "", href: str = "") -> Iterator[None]:
        tag = "a" if href else "g"
        self._add(f"<{tag}{_attributes(cls, href=href)}>")
        self._depth += 1
        if title:
            self.title(title)
        yield
        self._depth -= 1
        self._add(f"</{tag}>")

    def title(self, text: str) -> None:
        self._add(f"<title>{escape(text)}</title>")

    def line(self, start: Place, end: Place, *, cls: str = "") -> None:
        (x1, y1), (x2, y2) = start, end
        self._add(f'<line x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"{_attributes(cls)}/>')

    def polyline(self, points: Sequence[Place], *, cls: str = "") -> None:
        self._add(f'<polyline points="{_points(points)}"{_attributes(cls)}/>')

    def polygon(self, points: Sequence[Place], *, cls: str = "") -> None:
        self._add(f'<polygon points="{_points(points)}"{_attributes(cls)}/>')

    def rectangle(self, corner: Place, width: float, height: float, *, radius: float = 0.0, cls: str = "") -> None:
        x, y = corner
        rounded = f' rx="{number(radius)}"' if radius else ""
        self._add(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"{rounded}'
            f"{_attributes(cls)}/>"
        )

    def circle(self, centre: Place, radius: float, *, cls: str = "") -> None:
        x, y = centre
        self._add(f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"{_attributes(cls)}/>')

    def ellipse(self, centre: Place, semi_axes: Place, angle_deg: float, *, cls: str = "") -> None:
        """``angle_deg`` turns the first axis as SVG counts: clockwise on the page."""
        (x, y), (a, b) = centre, semi_axes
        turn = f' transform="rotate({number(angle_deg)} {number(x)} {number(y)})"'
        self._add(
            f'<ellipse cx="{number(x)}" cy="{number(y)}" rx="{number(a)}" ry="{number(b)}"{turn}{_attributes(cls)}/>'
        )

    def label(self, at: Place, text: str, *, anchor: str = "middle", cls: str = "") -> None:
        x, y = at
        self._add(
            f'<text x="{number(x)}" y="{number(y)}" text-anchor="{anchor}"{_attributes(cls)}>{escape(text)}</text>'
        )

    def _add(self, text: str) -> None:
        self._lines.append("  " * self._depth + text)


def _points(points: Sequence[Place]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def _attributes(cls: str, *, href: str = "") -> str:
    return (f' class="{escape(cls)}"' if cls else "") + (f' href="{escape(href)}"' if href else "")
