"""The printed sheets: drawn anew from the PDF's own drawing commands, then measured and read as a camera would."""

import base64
import re
import zlib

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from app.telling.marker_sheet import HOW, PAPERS, largest_size_mm, marker_sheets
from calibration.errors import InputError
from calibration.marker_file import CUT_MARGIN_M, default_places
from calibration.markers import find_markers
from calibration.table import STANDARD_TABLES

PLACES = default_places(STANDARD_TABLES["9ft"], 6)
MM_PER_POINT = 25.4 / 72
PX_PER_MM = 4
NUMBER = r"(-?[0-9.]+)"


def pages(pdf: bytes) -> list[str]:
    """The drawing commands of each page."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL)
    return [zlib.decompress(base64.a85decode(s.strip(), adobe=False)).decode("latin-1") for s in map(_bare, streams)]


def _bare(stream: bytes) -> bytes:
    return stream.strip().removeprefix(b"<~").removesuffix(b"~>")


def drawn(commands: str, width_mm: float, height_mm: float) -> NDArray[np.uint8]:
    """A page's filled rectangles, black and white, as a picture with the top of the page at the top."""
    picture = np.full((round(height_mm * PX_PER_MM), round(width_mm * PX_PER_MM)), 255, np.uint8)
    shade = 0
    for line in commands.splitlines():
        if grey := re.search(rf"^{NUMBER} g\b", line):
            shade = round(255 * float(grey[1]))
        for x, y, w, h in re.findall(rf"{NUMBER} {NUMBER} {NUMBER} {NUMBER} re f", line):
            left, low, wide, high = (float(v) * MM_PER_POINT * PX_PER_MM for v in (x, y, w, h))
            rows = slice(round(picture.shape[0] - low - high), round(picture.shape[0] - low))
            picture[rows, round(left) : round(left + wide)] = shade
    return picture


def lines_mm(commands: str) -> NDArray[np.float64]:
    """Straight lines (n, 4): from and to, millimetres from the lower left corner."""
    found = re.findall(rf"{NUMBER} {NUMBER} m {NUMBER} {NUMBER} l S", commands)
    return np.array(found, dtype=float) * MM_PER_POINT


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", 120.0), ("letter", 120.0), ("a4", 80.0), ("letter", 133.0)])
def test_each_sheet_has_its_marker_at_exact_size(paper: str, size_mm: float) -> None:
    width, height = PAPERS[paper]
    sheets = pages(marker_sheets(PLACES, size_mm / 1000, table_name="9ft", paper=paper))[1:]
    assert len(sheets) == len(PLACES)
    for place, commands in zip(PLACES, sheets, strict=True):
        page = drawn(commands, width, height)
        small = cv2.resize(page, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        seen = find_markers([cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)]).markers
        assert [s.id for s in seen] == [place.id]
        corners = (2 * seen[0].corners_px + 0.5) / PX_PER_MM
        sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        assert sides == pytest.approx([size_mm] * 4, abs=0.4)
        # Upright on the page, its middle over the middle line and the stated distance above the cut.
        assert corners[0] == pytest.approx(corners.min(axis=0), abs=0.4)
        cut = next(y for x, y, to_x, to_y in lines_mm(commands) if y == to_y and to_x - x > width - 1)
        middle = corners.mean(axis=0)
        assert middle == pytest.approx([width / 2, height - cut - 1000 * CUT_MARGIN_M - size_mm / 2], abs=0.3)


def test_rulers_measure_100_mm_both_ways() -> None:
    for commands in pages(marker_sheets(PLACES, 0.12, table_name="9ft"))[1:]:
        steps = np.abs(lines_mm(commands)[:, 2:] - lines_mm(commands)[:, :2])
        for along, across in ((0, 1), (1, 0)):
            straight = steps[steps[:, across] == 0, along]
            assert np.abs(straight - 100).min() < 0.001


def test_sheets_say_where_they_lie_and_the_first_page_what_to_do() -> None:
    first, *sheets = pages(marker_sheets(PLACES, 0.12, table_name="9ft"))
    assert "at the left rail, 300 mm from the nose of the foot rail" in sheets[2]
    assert "a weight over people" in first
    assert f"{len(HOW)}." in first
    for place in PLACES:
        assert f"{place.id}:  at the {place.rail} rail" in first


def test_the_same_sheets_are_the_same_bytes() -> None:
    assert marker_sheets(PLACES, 0.12, table_name="9ft") == marker_sheets(PLACES, 0.12, table_name="9ft")


@pytest.mark.parametrize("paper", PAPERS)
def test_sizes_that_do_not_fit_are_refused(paper: str) -> None:
    largest = largest_size_mm(paper)
    marker_sheets(PLACES, largest / 1000, table_name="9ft", paper=paper)
    for size_mm in (largest + 1, 59.0, float("nan")):
        with pytest.raises(InputError, match=f"choose 60 to {largest:g} mm"):
            marker_sheets(PLACES, size_mm / 1000, table_name="9ft", paper=paper)
    with pytest.raises(InputError, match="'a3' is not known; use one of a4, letter"):
        marker_sheets(PLACES, 0.12, table_name="9ft", paper="a3")
