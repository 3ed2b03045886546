"""A drawing of the table on a printed page: what would go into an SVG goes onto a PDF page, in black on white.

The classes that a page's style sheet colours have a style of their own here, in ink: lines are told apart by their
dashes and widths, never by colour, and large faces stay light.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from app.telling.svg import Place, Svg


@dataclass(frozen=True)
class Ink:
    """Line width in points (0: no line), its dashes in points, greys of line and face (None: no face)."""

    width: float = 0.5
    dash: tuple[float, ...] = ()
    line: float = 0.0
    face: float | None = None


HOLDS, UNSURE, BEYOND = Ink(0.7), Ink(0.7, (4.0, 2.0)), Ink(0.6, (0.8, 1.8), line=0.25)
INKS: dict[str, Ink] = {
    "wood": Ink(0.0, face=0.86),
    "cloth": Ink(0.4, line=0.4, face=1.0),
    "hole": Ink(0.0, face=0.35),
    "sight": Ink(0.0, face=0.0),
    "target": Ink(0.9),
    "target-ball": Ink(0.5, face=1.0),
    "seen": Ink(0.4, line=0.3, face=1.0),
    "card-line": HOLDS,
    "needed": Ink(0.25, (0.5, 1.5), line=0.35),
    "ellipse": Ink(0.6, face=0.8),
    "cross": Ink(0.9),
    "measure": Ink(0.7),
    "arrow": Ink(0.9),
    "arrow-head": Ink(0.0, face=0.0),
}
# A line's own style, by the group that it stands in.
LINES_BY_GROUP = {"holds": HOLDS, "unsure": UNSURE, "beyond": BEYOND, "no-cushion": BEYOND}
SIZES_PT = {"point-label": 8.5, "count": 6.5, "rail-name": 6.5}
SIZE_PT = 6.5


def set_ink(page: Canvas, ink: Ink) -> None:
    page.setLineWidth(ink.width)
    page.setDash(*ink.dash) if ink.dash else page.setDash()
    page.setStrokeGray(ink.line)
    page.setFillGray(0.0 if ink.face is None else ink.face)


def printable(text: str) -> str:
    """Text in the letters that a PDF's built-in fonts have: a true minus is a dash, others become question marks."""
    return text.replace("−", "–").encode("cp1252", "replace").decode("cp1252")


class PdfPicture(Svg):
    """Draws at once what it is given. ``left``, ``top``, ``width`` and ``height`` are the view box; the picture's upper
    left corner stands at ``at_mm`` of the page (from its lower left corner), and is ``wide_mm`` wide."""

    def __init__(
        self, page: Canvas, box: tuple[float, float, float, float], at_mm: tuple[float, float], wide_mm: float
    ) -> None:
        super().__init__(*box)
        self._page = page
        self._left, self._top = box[:2]
        self._corner = at_mm
        self._scale = wide_mm / box[2]
        self._groups: list[str] = []

    @contextmanager
    def group(self, *, cls: str = "", title: str = "", href: str = "") -> Iterator[None]:
        self._groups.append(cls)
        yield
        self._groups.pop()

    def title(self, text: str) -> None:
        """Print has no titles to point at."""

    def line(self, start: Place, end: Place, *, cls: str = "") -> None:
        self.polyline([start, end], cls=cls)

    def polyline(self, points: Sequence[Place], *, cls: str = "") -> None:
        self._path(points, cls, close=False)

    def polygon(self, points: Sequence[Place], *, cls: str = "") -> None:
        self._path(points, cls, close=True)

    def rectangle(self, corner: Place, width: float, height: float, *, radius: float = 0.0, cls: str = "") -> None:
        ink = self._ink(cls)
        x, y = self._on_page((corner[0], corner[1] + height))
        size = (width * self._scale * mm, height * self._scale * mm)
        self._page.roundRect(x, y, *size, radius * self._scale * mm, **_painted(ink))

    def circle(self, centre: Place, radius: float, *, cls: str = "") -> None:
        ink = self._ink(cls)
        self._page.circle(*self._on_page(centre), radius * self._scale * mm, **_painted(ink))

    def ellipse(self, centre: Place, semi_axes: Place, angle_deg: float, *, cls: str = "") -> None:
        ink = self._ink(cls)
        a, b = (axis * self._scale * mm for axis in semi_axes)
        self._page.saveState()
        self._page.translate(*self._on_page(centre))
        # SVG turns clockwise on the page, PDF counter-clockwise.
        self._page.rotate(-angle_deg)
        self._page.ellipse(-a, -b, a, b, **_painted(ink))
        self._page.restoreState()

    def label(self, at: Place, text: str, *, anchor: str = "middle", cls: str = "") -> None:
        size = SIZES_PT.get(cls, SIZE_PT)
        font = "Helvetica-Bold" if cls == "point-label" else "Helvetica"
        words = printable(text.replace("←", "<"))
        x, y = self._on_page(at)
        wide = self._page.stringWidth(words, font, size)
        x -= {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        if cls == "point-label":
            # A halo of paper, so that no line runs through the figures.
            self._page.setFillGray(1.0)
            self._page.rect(x - 1, y - 1.5, wide + 2, size + 1, stroke=0, fill=1)
        self._page.setFillGray(0.0)
        self._page.setFont(font, size)
        self._page.drawString(x, y, words)

    def _path(self, points: Sequence[Place], cls: str, *, close: bool) -> None:
        ink = self._ink(cls)
        path = self._page.beginPath()
        for k, place in enumerate(points):
            (path.lineTo if k else path.moveTo)(*self._on_page(place))
        if close:
            path.close()
        self._page.drawPath(path, **_painted(ink if close else Ink(ink.width, ink.dash, ink.line)))

    def _ink(self, cls: str) -> Ink:
        ink = INKS.get(cls, Ink())
        if cls == "card-line" and self._groups:
            ink = LINES_BY_GROUP.get(self._groups[-1], ink)
        set_ink(self._page, ink)
        return ink

    def _on_page(self, place: Place) -> Place:
        """Points from the page's lower left corner."""
        x, y = self._corner
        return (x + (place[0] - self._left) * self._scale) * mm, (y - (place[1] - self._top) * self._scale) * mm


def _painted(ink: Ink) -> dict[str, int]:
    return {"stroke": int(ink.width > 0), "fill": int(ink.face is not None)}
