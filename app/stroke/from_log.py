"""Strokes of the log as a person asks for them: one shot or all, a player, and what was aimed at if it is said."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite, nan

import numpy as np
from sqlalchemy import Engine

from app.rates.tries import outcome_of
from app.room.marks import Marks
from app.store.log_views import find_shot, list_attempts, list_shots
from app.store.logged import LoggedAttempt, LoggedShot
from app.stroke.aim import POINT, Aim, aim_at
from app.stroke.analysis import ENOUGH_OF_ITS_OWN, Stroke, analyse, borrowing, expected_of, outcomes
from app.stroke.chances import unless_hidden
from app.stroke.expected import Expected
from app.stroke.from_attempts import lines_of_attempts
from app.stroke.outcome_fit import OutcomeSpread, spread_of_outcomes
from app.stroke.spread import Flags, Spread, alike, spread_of
from app.telling.practice import practise
from app.telling.rest_of_log import rest_of_log
from app.telling.words import counting_corner
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Corner, Table, Vector
from vision.shot import Shot

# More places than this are gathered by sights.
MOST_PLACES = 12
# With fewer outcomes they say next to nothing of a spread.
LEAST_OUTCOMES = 8


@dataclass(frozen=True)
class StrokeQuestion:
    """What is asked. Both days of a period belong to it (days in UTC). ``aimed`` names what was aimed at, as ``aim_at``
    takes it; a mark or a place belongs to one shot."""

    shot: str | None = None
    player: str | None = None
    since: date | None = None
    until: date | None = None
    aimed: str | None = None


@dataclass(frozen=True)
class PlaceStroke:
    """What holds at one place: means over its ``lines``, of which the shot's are ``members`` (n,), radians; rates as
    shares; NaN where not known."""

    start_m: Vector
    members: Flags
    lines: int
    magnified: float
    half_rad: float
    expected: Expected
    aimed_rate: float
    off_best_rad: float


@dataclass(frozen=True)
class Account:
    """Of so many ``lines`` these were ``steady`` enough for the margins if aimed at the best line, ``within`` them as
    aimed, and ``made``; of those within ``within_made``."""

    lines: int
    steady: int
    within: int
    within_made: int
    made: int


@dataclass(frozen=True)
class ShotStroke:
    """The stroke of one player at one shot; ``aimed_rate`` and ``all_rate`` are the expected rates as the lines were
    aimed, and with what else moves the ball. ``made`` and ``told`` (n,): whether each line was made, and whether that
    is known. ``by_outcomes`` is the spread round the best lines that would make as many, None with few outcomes."""

    shot: Shot
    table: Table
    corner: Corner
    player: str
    aim: Aim | None
    stroke: Stroke
    made: Flags
    told: Flags
    expected: Expected
    by_outcomes: OutcomeSpread | None
    aimed_rate: float
    all_rate: float
    account: Account
    places: tuple[PlaceStroke, ...]


@dataclass(frozen=True)
class PlayerStroke:
    """All shots of a player together; ``alike`` is the probability of shots' spreads so different by chance."""

    player: str
    shots: int
    spread: Spread
    alike: float


@dataclass(frozen=True)
class StrokeAnswer:
    question: StrokeQuestion
    strokes: tuple[ShotStroke, ...]
    together: tuple[PlayerStroke, ...]
    players: tuple[str, ...]


def strokes_of_log(engine: Engine, asked: StrokeQuestion, marks: Marks | None = None) -> StrokeAnswer:
    """Answer a question from the log; ``marks`` are the places that may be named as aimed at.

    Raises InputError for a shot or a player that the log does not hold, a period that ends before it begins, and what
    cannot have been aimed at.
    """
    if asked.since is not None and asked.until is not None and asked.until < asked.since:
        raise InputError(f"the period ends ({asked.until}) before it begins ({asked.since}); swap the two days.")
    aimed = (asked.aimed or "").strip()
    if aimed and asked.shot is None and aimed.lower() != POINT:
        raise InputError("a mark or a place on a rail is aimed at in one shot; name the shot as well.")
    everything = list_attempts(engine)
    players = tuple(sorted({a.player for a in everything if a.player}))
    if asked.player is not None and asked.player not in players:
        raise InputError(
            f"the log has no tries of a player {asked.player!r}; it has {', '.join(players) or 'no names'}."
        )
    library = list_shots(engine)
    if asked.shot is not None:
        find_shot(engine, asked.shot)
    families: dict[str, Vector] = {}
    if aimed.lower() == POINT and aimed not in (marks or {}):
        for one in library:
            if asked.shot in (None, one.shot.name):
                families[one.shot.name] = _family(engine, one, [a for a in everything if a.shot_name == one.shot.name])
    period = [
        a
        for a in everything
        if (asked.player is None or a.player == asked.player)
        and (asked.since is None or a.at.date() >= asked.since)
        and (asked.until is None or a.at.date() <= asked.until)
    ]
    strokes, together = strokes_of(period, library, aimed, asked.shot, marks or {}, families)
    return StrokeAnswer(asked, strokes, together, players)


def strokes_of(
    attempts: Sequence[LoggedAttempt],
    library: Sequence[LoggedShot],
    aimed: str = "",
    only: str | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
    families: Mapping[str, Vector] | None = None,
) -> tuple[tuple[ShotStroke, ...], tuple[PlayerStroke, ...]]:
    """The strokes of each player at each shot, or at the shot ``only``, and those of each player together.

    Shots with few lines borrow the spread of all of the player's, for which alone the others are looked at when one
    shot is asked for: then a player without need of them has nothing told together. ``aimed`` holds for the shots asked
    for; ``families`` are those of their points.
    """
    outcome = {a.id: outcome_of(a) for a in attempts}
    grouped: dict[str, dict[str, list[LoggedAttempt]]] = {}
    for a in attempts:
        grouped.setdefault(a.player, {}).setdefault(a.shot_name, []).append(a)
    strokes: list[ShotStroke] = []
    together: list[PlayerStroke] = []
    for player, by_shot in sorted(grouped.items()):
        mine = [one for one in library if one.shot.name in by_shot]
        asked = [one for one in mine if only in (None, one.shot.name)]
        found: list[tuple[LoggedShot, Aim | None, Stroke]] = []
        for one in asked:
            aim = None
            if aimed:
                aim = aim_at(aimed, one.shot, _table(one), marks or {}, (families or {}).get(one.shot.name))
            found.append((one, aim, _analysed(one, by_shot[one.shot.name], aim)))
        few = (not s.spread.known or s.spread.freedom < ENOUGH_OF_ITS_OWN for *_, s in found)
        if only is None or any(few):
            others = [_analysed(one, by_shot[one.shot.name], None) for one in mine if one not in asked]
            every = [*(stroke for *_, stroke in found), *others]
            sets = [stroke.basis for stroke in every]
            pooled = unless_hidden(spread_of(sets), [stroke.lines for stroke in every])
            together.append(PlayerStroke(player, sum(s.freedom > 0 for s in sets), pooled, alike(sets)))
            found = [(one, aim, borrowing(stroke, pooled)) for one, aim, stroke in found]
        strokes += [_shot_stroke(one.shot, _table(one), player, aim, stroke, outcome) for one, aim, stroke in found]
    return tuple(sorted(strokes, key=lambda s: (s.shot.name, s.player))), tuple(together)


def _table(one: LoggedShot) -> Table:
    return one.table or STANDARD_TABLES["9ft"]


def _analysed(one: LoggedShot, attempts: Sequence[LoggedAttempt], aim: Aim | None) -> Stroke:
    return analyse(lines_of_attempts(one.shot, _table(one), attempts, aim), aim is not None)


def _shot_stroke(
    shot: Shot, table: Table, player: str, aim: Aim | None, stroke: Stroke, outcome: Mapping[int, str]
) -> ShotStroke:
    made, told = outcomes(stroke.lines, outcome)
    half = stroke.lines.half_rad
    known = told & np.isfinite(half) & (half > 0)
    by_outcomes = None
    if known.sum() >= LEAST_OUTCOMES:
        by_outcomes = spread_of_outcomes(half[known], half[known], np.ones(known.sum()), made[known])
    counted = told & np.isfinite(stroke.chances.steady).all(axis=0) if len(told) else told
    corner = counting_corner(shot, table)
    return ShotStroke(
        shot=shot,
        table=table,
        corner=corner,
        player=player,
        aim=aim,
        stroke=stroke,
        made=made,
        told=told,
        expected=expected_of(stroke, made, told),
        by_outcomes=by_outcomes,
        aimed_rate=_mean(stroke.chances.aimed[counted]),
        all_rate=_mean(stroke.chances.all[counted]),
        account=_account(stroke, made, told),
        places=tuple(_place(stroke, made, told, mine) for mine in _places(stroke, table, corner)),
    )


def _account(stroke: Stroke, made: Flags, told: Flags) -> Account:
    known = told & np.isfinite(stroke.good) & np.isfinite(stroke.steady)
    good, steady, hits = stroke.good[known] > 0, stroke.steady[known] > 0, made[known]
    return Account(int(known.sum()), int(steady.sum()), int(good.sum()), int((good & hits).sum()), int(hits.sum()))


def _place(stroke: Stroke, made: Flags, told: Flags, mine: Flags) -> PlaceStroke:
    lines = stroke.lines
    return PlaceStroke(
        start_m=lines.start_m[mine].mean(axis=0),
        members=mine,
        lines=int(mine.sum()),
        magnified=_mean(lines.magnified[mine]),
        half_rad=_mean(lines.half_rad[mine]),
        expected=expected_of(stroke, made, told, mine),
        aimed_rate=_mean(stroke.chances.aimed[mine]),
        off_best_rad=_mean(stroke.error_rad[mine] - lines.best_rad[mine]),
    )


def _places(stroke: Stroke, table: Table, corner: Corner) -> list[Flags]:
    """Lines whose balls lay within a ball's width of those of the first line there, by place along the table; where
    that are too many places to read, starts of one sight along and across from the corner together."""
    lines = stroke.lines
    cue = np.array([a.attempt.cue_start_m for a in lines.attempts], dtype=float).reshape(-1, 2)
    number = np.full(len(lines), -1)
    for which in range(MOST_PLACES):
        left = np.flatnonzero(number < 0)
        if not len(left):
            break
        apart = np.stack([lines.start_m - lines.start_m[left[0]], cue - cue[left[0]]])
        gap = np.hypot(apart[..., 0], apart[..., 1])
        number[(number < 0) & ~np.any(gap > 2 * table.ball_radius_m, axis=0)] = which
    if (number < 0).any():
        end, side = corner.split("-")
        sights = [
            (int(table.diamonds_along(at, side, corner)), int(table.diamonds_along(at, end, corner)))  # type: ignore[arg-type]
            for at in lines.start_m
        ]
        order = {cell: k for k, cell in enumerate(sorted(set(sights)))}
        number = np.array([order[cell] for cell in sights])
    groups = [number == g for g in np.unique(number)]
    return sorted(groups, key=lambda mine: tuple(lines.start_m[mine].mean(axis=0)))


def _family(engine: Engine, one: LoggedShot, attempts: Sequence[LoggedAttempt]) -> Vector:
    table = one.table or STANDARD_TABLES["9ft"]
    practice = practise(one.shot, table, attempts, None, rest_of_log(engine, one.shot.name, table))
    return practice.fit.convergence.family


def _mean(values: Vector) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) and isfinite(float(known.mean())) else nan
