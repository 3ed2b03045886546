"""The printed aim card: one page, everything on it, nothing over its edge, black on white."""

import re
from dataclasses import replace

import numpy as np
import pytest

from app.card.aim_card import AimCard
from app.telling.aim_card_sheet import MARGIN_MM, PICTURE_HIGH_MM, PICTURE_WIDE_MM, card_sheet
from app.telling.aim_card_words import tell_near, tell_place
from app.telling.drawing import view_of
from app.telling.marker_sheet import CAUTIONS, PAPERS
from app.telling.pdf_picture import printable
from app.telling.point_view import PointView, point_view
from calibration.errors import InputError
from tests.app.test_aim_card import aimed, made
from tests.app.test_fit import kicks
from tests.app.test_marker_sheet import MM_PER_POINT, NUMBER, pages
from vision.shot import Stroke


def carded(card: AimCard) -> tuple[AimCard, PointView]:
    return card, point_view(card.fit.to_json())


def texts(commands: str) -> list[tuple[float, float, str, float]]:
    """Left and height in millimetres, words and size in points of each text of a page."""
    found = re.findall(
        rf"BT 1 0 0 1 {NUMBER} {NUMBER} Tm (?:/F\d+ {NUMBER} Tf [0-9.]+ TL )?\((.*?)(?<!\\)\) Tj", commands
    )
    return [
        (float(x) * MM_PER_POINT, float(y) * MM_PER_POINT, re.sub(r"\\(.)", r"\1", words), float(size or 0))
        for x, y, size, words in found
    ]


def unescaped(text: str) -> str:
    return re.sub(
        r"\\(\d{3})", lambda m: bytes([int(m[1], 8)]).decode("cp1252"), text.replace("\\(", "(").replace("\\)", ")")
    )


@pytest.mark.parametrize("paper", PAPERS)
def test_one_page_with_every_line_and_the_cautions(paper: str) -> None:
    card, point = carded(made(kicks(20, noise_deg=0.1)))
    pdf = card_sheet(card, point, part="speed soft", paper=paper)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    (commands,) = pages(pdf)
    said = [unescaped(words) for words in re.findall(r"\((.*?)(?<!\\)\) Tj", commands)]
    for row in card.rows:
        assert said.count(tell_near(row)) >= 1
        assert printable(tell_place(row.through_sight)) in said
        assert printable(tell_place(row.at_nose)) in said
    together = " ".join(said)
    for words in (*CAUTIONS, "speed soft", "From the nose of the left rail", "19 times in 20", "starts", "Kick"):
        assert words.lower() in together.lower()
    # Ink is black or grey: no colour is ever set.
    assert not re.search(r"[0-9.]+ [0-9.]+ [0-9.]+ (rg|RG)\b", commands.replace("0 0 0 rg", "").replace("0 0 0 RG", ""))
    assert pdf == card_sheet(card, point, part="speed soft", paper=paper)


def rows_from_end_to_end(count: int) -> AimCard:
    """As many lines as a long rail can have, all of them over opposite rails."""
    card = made(kicks(20, noise_deg=0.1))
    return replace(card, rows=tuple(replace(card.rows[0], near_sight=k / 4) for k in range(count)))


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("count", [1, 16, 17, 33])
def test_nothing_lies_over_the_edge_or_over_another_part(paper: str, count: int) -> None:
    card, point = carded(rows_from_end_to_end(count))
    long = "a very long name of a shot " * 8
    shot = replace(card.shot, name=long, stroke=Stroke("firm", "running", 2.0, "follow"))
    view = replace(point, pooled=("speed soft (3), medium (40), firm (12)", "player A. Player (20), B. Player (35)"))
    notes = [
        "A sentence on the attempts that is long enough to take more than one line of the page, as some do. " * 2
    ] * 4
    (commands,) = pages(card_sheet(replace(card, shot=shot), view, notes=notes, paper=paper))
    width, height = PAPERS[paper]
    placed = texts(commands)
    assert len(placed) > 40
    for x, y, _, _ in placed:
        assert MARGIN_MM - 0.1 <= x <= width - MARGIN_MM
        assert MARGIN_MM - 0.1 <= y <= height - MARGIN_MM
    # The lines stand above the notes and below the words beside the picture.
    rows = [y for _, y, words, _ in placed if words == "0.00" or re.fullmatch(r"\d\.(00|25|50|75)", words)]
    counted = [y for _, y, words, _ in placed if words.startswith("Sights are counted")]
    beside = [y for x, y, words, _ in placed if x > width / 2 and "speed" in words]
    assert len(rows) >= count
    assert min(rows) > max(counted)
    assert max(rows) < min(beside)
    steps = np.diff(sorted({round(y, 2) for y in rows}))
    assert len(steps) == 0 or steps.min() > 3.9


def test_a_direction_and_letters_that_print_has_not() -> None:
    start = [(0.4 + 0.15 * k, 0.2 + 0.04 * k) for k in range(7)]
    card, point = carded(made(aimed([60.2, 59.8, 60.1, 59.9, 60.15, 60.0, 59.85], start)))
    (commands,) = pages(card_sheet(replace(card, shot=replace(card.shot, name="банк (−1)")), point))
    assert "The direction" in commands
    assert "???? (" in unescaped(commands).replace("\\", "")
    assert printable("−0.25 ± 1") == "–0.25 ± 1"


def test_the_picture_stands_as_the_table_does() -> None:
    """The lines on paper: from the near sight's place to the nose, to one scale, y upwards."""
    card, point = carded(made(kicks(20, noise_deg=0.05)))
    (commands,) = pages(card_sheet(card, point))
    found = re.findall(rf"{NUMBER} {NUMBER} m\s+{NUMBER} {NUMBER} l\s+S", commands)
    drawn = np.array(found, dtype=float) * MM_PER_POINT
    # Millimetres of paper for a metre, by the view's own size; the bar of half a metre shows as much.
    view = view_of(card.table, point)
    scale = min(PICTURE_WIDE_MM / (view.x1 - view.x0), PICTURE_HIGH_MM / (view.y1 - view.y0))
    slanted = drawn[np.abs(drawn[:, 3] - drawn[:, 1]) > 1]
    bar = drawn[np.abs(np.hypot(drawn[:, 2] - drawn[:, 0], drawn[:, 3] - drawn[:, 1]) - 0.5 * scale) < 0.01]
    assert len(bar) == 1
    first = slanted[0]
    for row in card.rows:
        nose = card.table.rail_point_m(card.first, row.at_nose.count, card.first_corner, at="nose")
        ends = np.concatenate([row.near_m, nose]) - np.tile(card.rows[0].near_m, 2)
        expected = np.tile(first[:2], 2) + scale * ends
        assert np.abs(drawn - expected).max(axis=1).min() < 0.1


def test_papers_that_are_not_known_are_refused() -> None:
    card, point = carded(made(kicks(12)))
    with pytest.raises(InputError, match="'a3' is not known; use one of a4, letter"):
        card_sheet(card, point, paper="a3")
