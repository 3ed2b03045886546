"""Marks in the room in words and as tables: what aiming at each costs, from where it is good enough, marks on walls."""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite, isinf

import numpy as np

from app.card.tape import lay_tape
from app.room.aims import POINT
from app.room.from_log import MarksAnswer, Starts, mean_miss_m
from app.room.mark_quality import MarkQuality, Verdict
from app.room.wall_scale import WallMark
from app.telling.coach import Figures
from app.telling.lengths import by_tape, laid_length, length_with_sd, rough_length_and_inches
from app.telling.rounding import UNKNOWN, told, told_with_sd
from app.telling.words import corner_on, side_of
from calibration.table import Vector
from calibration.unfold import unfold
from vision.shot import Made

TRIP = "A pole or stand used as a mark is a trip hazard: keep people clear of it, and take it away after practice."
SCALE_NOTE = (
    "A mark on a wall is right for its own line, for every ball that lies on it, and for no other; from other starts "
    "it misses."
)
ONE_MARK = {
    "enough": "ne mark at the point does for all the starts seen.",
    "not enough": "ne mark at the point is not good enough for all the starts seen.",
    "cannot tell": "ne mark at the point may do for all the starts seen; that cannot be told yet.",
}
TO: dict[Made, str] = {"pocketed": "to pocket", "hit": "to hit"}
SIGNS: dict[Verdict, str] = {"good enough": "●", "not": "×", "cannot tell": "○", "no path": "–"}
# So many ways to aim stand side by side in one table.
SIDE_BY_SIDE = 5
SAID: dict[Verdict, str] = {"good enough": "good", "not": "not", "cannot tell": "cannot tell", "no path": "no path"}


def marks_sentences(answer: MarksAnswer) -> list[str]:
    """Plain sentences: whether the point can be marked in the room, how the marks were judged."""
    sentences = []
    point, verdict = answer.practice.fit.convergence.point_m, answer.practice.fit.one_point.verdict
    if point is not None:
        wall = answer.hidden[0]
        if wall:
            sentences.append(f"The point lies beyond {wall}: the marks on the wall, a line each, take its place.")
        else:
            sentences.append(f"{'The point lies in the room: o' if answer.walls else 'O'}{ONE_MARK[verdict]}")
    elif answer.walls:
        sentences.append("There is no point in reach; the marks on the walls, a line each, do without one.")
    if not answer.walls:
        sentences.append("No walls are known; write them into the room's file, and a point beyond one can be replaced.")
    marks = [m for m in answer.judged if m.aim.name != POINT]
    if not marks:
        sentences.append("No marks are known; write them into the room's file, or give one with the question.")
    if answer.at.margins is None:
        sentences.append("The shot does not say what makes it: without margins no mark can be called good enough.")
    return sentences


def caution() -> str:
    """The caution that goes with every mark set up in a room."""
    return TRIP


def mark_table(answer: MarksAnswer) -> Figures:
    """The marks side by side."""
    made = _made(answer)
    columns = ["mark", "where", "miss to expect"]
    for way in made:
        columns += [f"good {TO[way]}", *(["good over the table"] if way == made[0] else [])]
    rows = []
    for here, over, hidden in zip(answer.judged, answer.judged_over, answer.hidden, strict=True):
        row = [
            here.aim.name,
            _where(answer, here.aim.place_m, hidden),
            rough_length_and_inches(mean_miss_m(here, answer.at)),
        ]
        for way in made:
            row.append(_from(here, answer.at, way))
            if way == made[0]:
                row.append(_from(over, answer.over, way))
        rows.append(tuple(row))
    note = (
        "Miss to expect: the mean at the starts seen. Good: with its 90 % interval the miss stays within a "
        "quarter of the margins there; from so many of the starts from which there is a line. Over the table only "
        "starts among the lines seen count as good."
    )
    return Figures("Marks", note, tuple(columns), tuple(rows))


def start_tables(answer: MarksAnswer) -> tuple[Figures, ...]:
    """The starts seen, the marks side by side: by how much each misses from there, and whether that is good enough."""
    made, at = _made(answer), answer.at
    tables = []
    for first in range(0, len(answer.judged), SIDE_BY_SIDE):
        some = answer.judged[first : first + SIDE_BY_SIDE]
        rows = [
            (start_words(at, k), *(f"{_miss(answer, one, k)} {SIGNS[verdict_of(one, answer, k)]}" for one in some))
            for k in range(len(at.start_m))
        ]
        tables.append(Figures("From the starts seen", "", ("start", *(one.aim.name for one in some)), tuple(rows)))
    note = (
        f"In sights along and across from the {answer.corner} corner. By how much the line through the mark misses, "
        f"± its standard deviation; {TO[made[0]] if made else 'to make it'}: ● good enough, × not, ○ cannot be told, "
        "– no line from there."
    )
    return tuple(replace(table, note=note if k == 0 else "Continued.") for k, table in enumerate(tables))


def start_words(starts: Starts, k: int) -> str:
    """``6.4, 0.9 (2 tries)``: sights along and across."""
    text = f"{told(starts.along[k], 0.05, finest=1)}, {told(starts.across[k], 0.05, finest=1)}"
    return f"{text} ({starts.tries[k]} tries)" if starts.tries[k] > 1 else text


def scale_tables(answer: MarksAnswer) -> tuple[Figures, ...]:
    """The marks on each wall that lines meet, one table for those measured from one place."""
    groups: dict[tuple[str, str, str], list[WallMark]] = {}
    for mark in answer.scale:
        if mark.at is not None:
            groups.setdefault((mark.at.wall, mark.at.end, mark.at.corner or ""), []).append(mark)
    near = corner_on(answer.near, answer.corner)
    note = (
        f"For the line over each sight of the {answer.near} rail, counted from the {near} corner, and over the ball. "
        f"±: half the breadth of the point's 95 % region there. {SCALE_NOTE}"
    )
    tables: list[Figures] = []
    for (wall, measured_from, corner), marks in groups.items():
        level = f"in from level with the noses' {corner} corner" if corner else ""
        columns = ["sight", *([f"from {measured_from}"] if measured_from else []), *([level] if level else []), "±", ""]
        rows = tuple(_scale_row(mark, bool(measured_from), bool(level)) for mark in marks)
        tables.append(Figures(f"Marks on {wall}", note if not tables else "", tuple(columns), rows))
    return tuple(tables)


def by_shot_table(answers: Sequence[MarksAnswer]) -> Figures:
    """Every mark for every shot: which target bears it."""
    rows = []
    for answer in answers:
        made = _made(answer)
        for here in answer.judged:
            ways = [_from(here, answer.at, way) if way in made else UNKNOWN for way in ("pocketed", "hit")]
            rows.append(
                (here.aim.name, answer.practice.shot.name, rough_length_and_inches(mean_miss_m(here, answer.at)), *ways)
            )
    # The marks of the room shot by shot first, each shot's own point last.
    rows.sort(key=lambda row: (row[0] == POINT, row[0], row[1]))
    note = (
        "Miss to expect: the mean at the starts seen. Good: with its 90 % interval the miss stays within a quarter of "
        "the margins there; from so many of the starts from which there is a line."
    )
    return Figures(
        "Marks by shot", note, ("mark", "shot", "miss to expect", "good to pocket", "good to hit"), tuple(rows)
    )


def scale_place(mark: WallMark) -> str:
    """``1.66 m (65 3/8 in) from the room's foot-left corner``."""
    at = mark.at
    if at is None:
        return UNKNOWN
    if at.end:
        return f"{by_tape(at.along_m)} from {at.end}"
    return _level(mark)


def verdict_of(judged: MarkQuality, answer: MarksAnswer, k: int) -> Verdict:
    """By the shot's own way to make it; what cannot be judged cannot be told."""
    made = _made(answer)
    return judged.verdicts[made[0]][k] if made else "cannot tell"


def mark_detail(answer: MarksAnswer, here: MarkQuality) -> Figures:
    """One mark from the starts seen, for every way to make the shot."""
    at, made = answer.at, _made(answer)
    columns = ("start", "misses by", "to expect", *(TO[way] for way in made))
    rows = [
        (
            start_words(at, k),
            _miss(answer, here, k),
            rough_length_and_inches(float(here.expected_miss_m[k])),
            *(SAID[here.verdicts[way][k]] for way in made),
        )
        for k in range(len(at.start_m))
    ]
    note = (
        f"Starts seen, in sights along and across from the {answer.corner} corner. Misses by: the line through the "
        "mark against the one needed; to expect: the mean miss, the scatter of the lines needed taken in."
    )
    return Figures(f"Aiming at {here.aim.name}", note, columns, tuple(rows))


def _miss(answer: MarksAnswer, here: MarkQuality, k: int) -> str:
    """``6.7 ± 0.2 cm short``."""
    miss, sd = float(here.miss_m[k]), float(here.miss_sd_m[k])
    if not isfinite(miss):
        turn = np.degrees([here.off_rad[k], here.sd_rad[k]])
        return f"{told_with_sd(abs(turn[0]), turn[1], finest=2)}° to the {'left' if turn[0] > 0 else 'right'}"
    text = length_with_sd(abs(miss), sd)
    if abs(miss) < sd:
        return text
    shot, table = answer.practice.shot, answer.table
    arrival = unfold(answer.at.start_m[k], shot.target_point_m(table), shot.rails, table).arrival_bearing_rad
    side = side_of(miss, shot.rails[-1], arrival)
    return f"{text} {f'to the {side}' if side in ('left', 'right') else side}"


def _from(judged: MarkQuality, starts: Starts, made: Made) -> str:
    """``from 5 of 7``, and how many cannot be told."""
    verdicts = judged.verdicts[made]
    count = len(verdicts) - verdicts.count("no path")
    text = f"from {verdicts.count('good enough')} of {count}"
    unsure = verdicts.count("cannot tell")
    return f"{text}; {unsure} cannot be told" if unsure else text


def _where(answer: MarksAnswer, place_m: Vector | None, hidden: str) -> str:
    if place_m is None:
        return UNKNOWN
    tape = lay_tape(place_m, answer.practice.shot.rails[0], answer.corner, answer.table)
    along = f"{laid_length(tape.along_m)} {'from' if tape.sight >= 0 else 'past'} {tape.corner}"
    text = f"{tape.rail} rail: {laid_length(tape.out_m)} {'out' if tape.out_m >= 0 else 'in'}, {along}"
    return f"{text}; beyond a wall" if hidden else text


def _scale_row(mark: WallMark, from_end: bool, level: bool) -> tuple[str, ...]:
    at = mark.at
    if at is None:
        raise ValueError("a line that meets no wall has no mark")
    half = mark.half_width_m
    within = "anywhere" if isinf(half) else rough_length_and_inches(half)
    cells = [f"{mark.near_sight:g}"]
    cells += [by_tape(at.along_m)] if from_end else []
    cells += [by_tape(at.level_m) + ("" if at.level_m >= 0 else " past it")] if level else []
    remark = [] if mark.seen else ["beyond the starts seen"]
    remark += [] if mark.replaces else ["the point is nearer than the wall"]
    return (*cells, within, "; ".join(remark))


def _level(mark: WallMark) -> str:
    """``23 cm (9 in) in from level with the noses' foot-left corner``."""
    at = mark.at
    if at is None or at.corner is None:
        return UNKNOWN
    side = "in from" if at.level_m >= 0 else "out past"
    return f"{by_tape(at.level_m)} {side} level with the noses' {at.corner} corner"


def _made(answer: MarksAnswer) -> tuple[Made, ...]:
    return () if answer.at.margins is None else tuple(way.made for way in answer.at.margins.ways)
