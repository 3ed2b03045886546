"""Attempts at one shot made ready to be shown: fitted, told in words, tallied and drawn."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import isfinite, sqrt

from app.entry.grammar import parse_line
from app.entry.reading_error import habit_share
from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import ShotFit, fit_shot
from app.fitting.log_fit import Job, Others, fit_all
from app.fitting.pooled import APART, NOT_KNOWN
from app.next_shot.from_rows import plan_next
from app.store.logged import LoggedAttempt, LoggedEntry
from app.telling.coach import Figures, coach_figures, rule_name
from app.telling.drawing import draw_practice
from app.telling.fit_words import weight_words
from app.telling.lengths import ball_widths
from app.telling.next_words import tell_plan
from app.telling.point_view import PointView, point_view
from app.telling.point_words import tell_point
from app.telling.words import AttemptWords, tell_attempt
from calibration.errors import InputError
from calibration.table import Table
from vision.shot import Shot

# As in a file of attempts, whose header is line 1: attempt k of a practice is row k + 1.
FIRST_ROW = 2
# A ball that never got onto its last leg has no measured miss; the side to which it set off is kept all the same.
GROSS = {"line_left": "left", "line_right": "right"}


@dataclass(frozen=True)
class Practice:
    """All that a page or the command line shows of the attempts at one shot.

    ``rows`` are the attempts that were fitted; ``elsewhere`` counts attempts on tables of another size: they are shown
    and told, and not fitted.
    """

    shot: Shot
    table: Table
    attempts: tuple[LoggedAttempt, ...]
    words: tuple[AttemptWords, ...]
    rows: tuple[AttemptRow, ...]
    fit: ShotFit
    point: PointView
    elsewhere: int

    @property
    def doubts(self) -> dict[int, str]:
        """Why attempts count less than fully for the point, by their number from 1."""
        return {
            w.row - FIRST_ROW + 1: f"counts {weight_words(w.weight)} for the point: {w.why}"
            for w in self.fit.weights
            if w.shot is None
        }

    @property
    def made(self) -> int:
        return sum(a.attempt.outcome == "made" for a in self.attempts)

    def tally(self) -> str:
        """``2 of 5 made; of the others 2 short, 1 long``."""
        if not self.attempts:
            return "no attempts yet"
        text, rest = f"{self.made} of {len(self.attempts)} made", self.tally_of_misses()
        return f"{text}; of the others {rest}" if rest else text

    def tally_of_misses(self) -> str:
        """``2 short, 1 long``; empty when all were made."""
        rest = [w for w in self.words if w.outcome != "made"]
        sides = [
            (sum(w.side == side for w in rest), name)
            for side, name in (
                ("long", "long"),
                ("short", "short"),
                ("left", "to the left"),
                ("right", "to the right"),
                ("on line", "on line"),
                ("not known", "with no measured miss"),
            )
        ]
        return ", ".join(f"{count} {name}" for count, name in sides if count)

    def sentences(self) -> list[str]:
        told = tell_point(self.point, self.shot, self.table)
        if self.elsewhere:
            told.append(f"{self.elsewhere} attempts on tables of another size are left out of the point.")
        return told

    def shoot_next(self) -> list[str]:
        """From where to shoot next, and what for."""
        return tell_plan(plan_next(self.fit, self.rows, self.table, self.shot), self.shot, self.table)

    def ways_to_aim(self) -> list[tuple[str, str]]:
        """Each aiming rule that was compared, in words, and the miss to expect with it in ball-widths."""
        return [
            (rule_name(rule.name), ball_widths(rule.expected_miss_m, self.table))
            for rule in self.fit.rules
            if isfinite(rule.expected_miss_m)
        ]

    def coach(self) -> tuple[Figures, ...]:
        """The figures behind the point, for a coach."""
        return coach_figures(self.fit)

    def can_be_parted_by(self) -> list[str]:
        """What was thrown together, and can be fitted apart."""
        pooled = [entry.by for entry in self.fit.pooled if entry.by in APART]
        return [*pooled, "session"] if len({row.session for row in self.rows}) > 1 else pooled

    def drawing(self, *, standalone: bool = False, anchor: str = "") -> str:
        attempts = [(k, a.attempt) for k, a in enumerate(self.attempts, 1)]
        return draw_practice(attempts, self.shot, self.table, self.point, standalone=standalone, anchor=anchor)


def practise(
    shot: Shot,
    table: Table,
    attempts: Sequence[LoggedAttempt],
    marks: Mapping[str, tuple[float, float]] | None = None,
    others: Others | None = None,
) -> Practice:
    """Fit and tell the attempts at one shot on one table; ``marks`` are places to aim at, compared with the point.

    ``others`` are the log's other shots, from which one that cannot tell its scatter borrows it.
    """
    rows = practised_rows(shot, table, attempts)
    fits = fit_all(rows, table, {shot.name: shot}, marks, others=others)
    fit = fits[0] if fits else fit_shot((), shot_name=shot.name, table=table, shot=shot)
    return Practice(
        shot=shot,
        table=table,
        attempts=tuple(attempts),
        words=tuple(tell_attempt(a.attempt, shot, a.table) for a in attempts),
        rows=tuple(rows),
        fit=fit,
        point=point_view(fit.to_json()),
        elsewhere=sum(not same_size(a.table, table) for a in attempts),
    )


def practised_rows(shot: Shot, table: Table, attempts: Sequence[LoggedAttempt]) -> list[AttemptRow]:
    """The attempts as rows for the fit: those on a table of this size, with a measured start and line."""
    here = {FIRST_ROW + k for k, a in enumerate(attempts) if same_size(a.table, table)}
    return [row for row in attempt_rows(attempts, shot) if row.row in here]


def practise_apart(
    shot: Shot,
    table: Table,
    attempts: Sequence[LoggedAttempt],
    by: str,
    marks: Mapping[str, tuple[float, float]] | None = None,
    others: Others | None = None,
) -> dict[str, Practice]:
    """As ``practise``, apart by english, speed, player, day or session, in order of first appearance.

    A part borrows from the other parts as well.
    """
    parts: dict[str, list[LoggedAttempt]] = {}
    for logged in attempts:
        row = next(iter(attempt_rows([logged], shot)), None)
        value = None if row is None else APART[by](row)
        parts.setdefault(value or NOT_KNOWN, []).append(logged)
    jobs = {value: Job(value, tuple(practised_rows(shot, table, mine)), shot) for value, mine in parts.items()}

    def besides(value: str) -> list[Job]:
        return [*(job for name, job in jobs.items() if name != value), *(others() if others is not None else ())]

    return {value: practise(shot, table, mine, marks, partial(besides, value)) for value, mine in parts.items()}


def attempt_rows(attempts: Sequence[LoggedAttempt], shot: Shot | None = None) -> list[AttemptRow]:
    """The log's attempts as rows of the file of attempts; those without a line or a start are left out."""
    rows: list[AttemptRow] = []
    for k, logged in enumerate(attempts):
        a = logged.attempt
        if not (isfinite(a.bearing_rad) and isfinite(a.start_m[0]) and isfinite(a.start_m[1])):
            continue
        rows.append(
            AttemptRow(
                row=FIRST_ROW + k,
                shot=logged.shot_name,
                start_x_m=float(a.start_m[0]),
                start_y_m=float(a.start_m[1]),
                bearing_rad=a.bearing_rad,
                bearing_sd_rad=a.bearing_sd_rad,
                clip=logged.clip or None,
                common_bearing_sd_rad=logged.common_bearing_sd_rad,
                miss_m=a.miss_m,
                miss_sd_m=a.miss_sd_m,
                miss_per_rad_m=a.miss_per_rad_m,
                outcome=a.outcome,
                miss_side=next((side for flag, side in GROSS.items() if flag in a.flags), None),
                speed_mps=a.speed_mps,
                english=shot.stroke.english if shot is not None else None,
                at=logged.at.isoformat(timespec="seconds"),
                player=logged.player or None,
                session=logged.session_name,
                number=logged.id,
            )
        )
        if logged.entry is not None:
            rows[-1] = _as_entered(rows[-1], logged.source, logged.entry)
            if logged.source == "hand":
                rows[-1] = _as_read(rows[-1], logged.entry.line, logged.player)
    return rows


def _as_read(row: AttemptRow, line: str, player: str) -> AttemptRow:
    """With what is alike in all lines that one pair of eyes read, taken to be one for each player."""
    try:
        share = habit_share(parse_line(line).through.count)
    except InputError:
        # Of a vocabulary that is no more: the error as a whole is still the entry's.
        return row
    own, habit = sqrt(1 - share**2) * row.bearing_sd_rad, share * row.bearing_sd_rad
    return replace(row, bearing_sd_rad=own, reader=player, reader_sd_rad=habit)


def _as_entered(row: AttemptRow, source: str, entry: LoggedEntry) -> AttemptRow:
    """With what an attempt that was not filmed says of itself; an imported one says no more than its file did."""
    imported = source == "import"
    return replace(
        row,
        outcome=entry.outcome,
        miss_side=entry.miss_side,
        margin_left_rad=entry.margin_left_rad,
        margin_right_rad=entry.margin_right_rad,
        english=entry.english if imported else entry.english or row.english,
        at=entry.at_text if imported else row.at,
        note=entry.note,
    )


def same_size(one: Table, other: Table) -> bool:
    return abs(one.length_m - other.length_m) < 0.01 and abs(one.width_m - other.width_m) < 0.01
