"""A simulated coach who tells attempts in words: how well the stated errors and the fit's region hold.

The truth is a kick over ideal rails, whose convergence point is the target's mirror image; a cushion adds scatter. The
coach puts the ball on marks, sees through which sight each line went and by how much the ball missed, reads sights to
the quarter and misses to half a ball, with an eye that errs besides, in part alike all through a practice, and says
"made" when the ball dropped. Every line goes as text through the program's own reader.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import cos, hypot, nan, radians, sin, sqrt

import numpy as np

from app.entry.aim import OPPOSITE
from app.entry.entered import Entered, enter
from app.entry.grammar import parse_line
from app.entry.lines import new_entry
from app.entry.reading_error import BALL_EYE, HABIT_SHARE, SIGHT_EYE, WIDE_SHARE
from app.fitting import lines
from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import own_prior
from app.fitting.margins import margins_where_possible
from app.fitting.region import CONFIDENCE, p_values
from app.fitting.scatter import integrate_scatter
from app.store.logged import LoggedAttempt, LoggedEntry
from app.telling.practice import attempt_rows
from app.telling.words import side_of
from calibration.table import Vector
from calibration.unfold import target_image, unfold
from tests.app.scenario import KICK, TABLE

STROKE_DEG = 1.2
SCATTER_DEG = 0.2
DAY = datetime(2026, 3, 1, 12, tzinfo=UTC)
CORNER, SIDE, FIRST = "foot-left", "right", "left"


@dataclass(frozen=True)
class Told:
    """One attempt: what was told, and the truth of it. Metres, radians."""

    line: str
    start_m: Vector
    bearing_rad: float
    miss_m: float


def tell(rng: np.random.Generator, start_m: Vector, start_words: str, habit: float) -> Told:
    """A try from a place that the coach calls ``start_words`` (a start over a near sight is told by its own line);
    ``habit`` is what all lines of the coach are read high by, in sds of the eye."""
    target = KICK.target_point_m(TABLE)
    ideal = unfold(start_m, target, KICK.rails, TABLE)
    turned = radians(STROKE_DEG) * rng.normal()
    bearing = ideal.bearing_rad + turned
    miss = ideal.distance_m * -sin(turned + radians(SCATTER_DEG) * rng.normal())
    passed = TABLE.diamonds_of_line(start_m, bearing, FIRST, CORNER, at="sight")
    eye = sqrt(HABIT_SHARE) * habit + sqrt(1 - HABIT_SHARE) * rng.normal()
    through = round(4 * (passed + SIGHT_EYE * eye)) / 4
    if not start_words:
        near = TABLE.diamonds_of_line(start_m, bearing, OPPOSITE[FIRST], "foot-right", at="sight")  # type: ignore[index]
        start_words = f"start {_quarter(rng, near):g}"
    left, right = (float(v) for v in margins_where_possible(KICK, TABLE, start_m))
    off = -miss / ideal.distance_m
    if -right < off < left:
        result = "made"
    else:
        width = 2 * TABLE.ball_radius_m
        seen = abs(miss) / width + rng.normal() * hypot(BALL_EYE, WIDE_SHARE * miss / width)
        side = side_of(miss, KICK.rails[-1], ideal.arrival_bearing_rad)
        balls = max(round(2 * seen) / 2, 0.5)
        result = f"{side} {balls:g} balls" if side in ("long", "short") else f"{side} by {balls:g} balls"
    return Told(f"{start_words}, through {through:g}, {result}", start_m, bearing, miss)


def drill(rng: np.random.Generator, marks: int, repeats: int, *, near_sight: bool) -> list[Told]:
    """A practice: marks over the table, each shot from some times; what a mark is called is read once."""
    told = []
    habit = float(rng.normal())
    for _ in range(marks):
        start = _place(rng, near_sight)
        along = _quarter(rng, TABLE.diamonds_along(start, SIDE, "foot-right"))
        across = _quarter(rng, TABLE.diamonds_along(start, "foot", "foot-right"))
        words = "" if near_sight else f"start {along:g} by {across:g}"
        told += [tell(rng, start, words, habit) for _ in range(repeats)]
    return told


def rows_of(told: list[Told]) -> tuple[list[Entered], list[AttemptRow]]:
    """Through the reader, as the log would give them back."""
    entered = [enter(parse_line(t.line), KICK, TABLE) for t in told]
    return entered, attempt_rows([_logged(k, e) for k, e in enumerate(entered)], KICK)


def standardised(told: list[Told], entered: list[Entered]) -> tuple[list[float], list[float]]:
    """Errors over stated sds: of lines, where they pass the target's image as seen from the start; of misses."""
    image = target_image(KICK.target_point_m(TABLE), KICK.rails, TABLE)
    of_line, of_miss = [], []
    for t, e in zip(told, entered, strict=True):
        away = hypot(*(image - e.start_m))
        place = e.start_m + away * np.array([cos(e.bearing_rad), sin(e.bearing_rad)])
        true = place - t.start_m
        beside = true[0] * sin(t.bearing_rad) - true[1] * cos(t.bearing_rad)
        of_line.append(beside / away / e.total_sd_rad)
        if e.miss_m == e.miss_m:
            of_miss.append((e.miss_m - t.miss_m) / e.miss_sd_m)
    return of_line, of_miss


def holds_truth(rows: list[AttemptRow]) -> bool:
    evidence = gather(rows, TABLE, KICK)
    obs = evidence.observations
    image = target_image(KICK.target_point_m(TABLE), KICK.rails, TABLE) - TABLE.centre_m
    truth = lines.from_point(image)
    return bool(p_values(obs, integrate_scatter(obs, own_prior(evidence)), truth[None])[0] >= 1 - CONFIDENCE)


def each_for_itself(rows: list[AttemptRow]) -> list[AttemptRow]:
    """The same rows as if the starts' errors, and the eye's, were not shared."""
    return [
        replace(
            row,
            clip=None,
            bearing_sd_rad=hypot(row.bearing_sd_rad, row.common_bearing_sd_rad, row.reader_sd_rad),
            common_bearing_sd_rad=nan,
            reader=None,
            reader_sd_rad=nan,
        )
        for row in rows
    ]


def family_row(name: str, marks: int, repeats: int, near_sight: bool, drills: int, seed: int) -> dict[str, float | str]:
    rng = np.random.default_rng([seed, *name.encode()])
    of_line: list[float] = []
    of_miss: list[float] = []
    inside = alone = 0
    for _ in range(drills):
        told = drill(rng, marks, repeats, near_sight=near_sight)
        entered, rows = rows_of(told)
        inside += holds_truth(rows)
        alone += holds_truth(each_for_itself(rows))
        one, other = standardised(told, entered)
        of_line += one
        of_miss += other
    return {
        "family": name,
        "line_error_over_sd": float(np.sqrt(np.mean(np.square(of_line)))),
        "miss_error_over_sd": float(np.sqrt(np.mean(np.square(of_miss)))),
        "coverage_percent": 100 * inside / drills,
        "coverage_if_not_shared_percent": 100 * alone / drills,
        "coverage_sd_percent": 100 * float(np.sqrt(0.05 * 0.95 / drills)),
    }


def run(drills: int = 1000, seed: int = 21) -> list[dict[str, float | str]]:
    """One row a family: root mean square of errors over stated sds, and how often the 95 % region holds the truth."""
    families = [
        ("8 marks, once each", 8, 1, False),
        ("6 marks, three times each", 6, 3, False),
        ("12 marks, twice each", 12, 2, False),
        ("4 marks, six times each", 4, 6, False),
        ("12 lines over a near sight", 12, 1, True),
        ("30 lines over a near sight", 30, 1, True),
    ]
    return [family_row(*family, drills, seed) for family in families]


def _place(rng: np.random.Generator, over_near_sight: bool) -> Vector:
    """A mark for the ball; one whose line comes from over the near rail, not from beyond a corner, if that is asked."""
    while True:
        start = np.array([rng.uniform(0.35, 1.5), rng.uniform(0.15, 0.75)])
        ideal = unfold(start, KICK.target_point_m(TABLE), KICK.rails, TABLE).bearing_rad
        near = TABLE.diamonds_of_line(start, ideal, OPPOSITE[FIRST], "foot-right", at="sight")  # type: ignore[index]
        if not over_near_sight or near < 7.5:
            return start


def _quarter(rng: np.random.Generator, count: float) -> float:
    return round(4 * (count + SIGHT_EYE * rng.normal())) / 4


def _logged(k: int, e: Entered) -> LoggedAttempt:
    new = new_entry(e, KICK, TABLE, None, DAY)
    entry = LoggedEntry(
        new.line, "", None, new.outcome, new.miss_side, new.margin_left_rad, new.margin_right_rad, None, nan, None, None
    )
    return LoggedAttempt(
        id=k + 1, number=k + 1, session_id=1, shot_name=KICK.name, source="hand", clip=new.clip or "", at=DAY,
        common_bearing_sd_rad=new.common_bearing_sd_rad, player="", attempt=new.attempt, table=TABLE, entry=entry,
    )  # fmt: skip
