"""Make-rates of the log as a person asks for them: one shot or all, a player, a period, one set against another."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Engine

from app.rates.expected_rates import ExpectedRates
from app.rates.make_rates import By, MakeRates, compare_rates, make_rates
from app.rates.tries import Which, counted_from, gather_tries, select_tries
from app.store.log_views import find_shot, list_attempts, list_shots
from app.stroke.from_log import strokes_of
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Corner, Table
from vision.shot import Shot


@dataclass(frozen=True)
class Question:
    """What is asked. Both days of a period belong to it (days in UTC, as the log keeps time).

    ``against`` names a second player; ``before`` is the first day of the later of two periods.
    """

    shot: str | None = None
    player: str | None = None
    since: date | None = None
    until: date | None = None
    tries: Which = "all"
    by: By = "along"
    cell_sights: float = 1.0
    against: str | None = None
    before: date | None = None


@dataclass(frozen=True)
class Answer:
    """The rates with what showing them needs. ``players`` are all of the log's."""

    question: Question
    rates: MakeRates
    corner: Corner
    table: Table
    shot: Shot | None
    players: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        asked = self.question
        return {
            "shot": asked.shot,
            "player": asked.player,
            "since": None if asked.since is None else asked.since.isoformat(),
            "until": None if asked.until is None else asked.until.isoformat(),
            "tries": asked.tries,
            "by": asked.by,
            "cell_sights": asked.cell_sights,
            "counted_from": self.corner,
        } | self.rates.to_json()


def rates_of_log(engine: Engine, asked: Question) -> Answer:
    """Answer a question from the log.

    Raises InputError for a shot or a player that the log does not hold, a period that ends before it begins, and a
    second player without a first.
    """
    if asked.since is not None and asked.until is not None and asked.until < asked.since:
        raise InputError(f"the period ends ({asked.until}) before it begins ({asked.since}); swap the two days.")
    if asked.against is not None and asked.before is not None:
        raise InputError("compare two players or two periods, not both at once; leave one of the two out.")
    library = list_shots(engine)
    chosen = library if asked.shot is None else [find_shot(engine, asked.shot)]
    # Whole sessions, since what came between two tries says whether the second repeats the first.
    shots: Mapping[str, Shot] = {s.shot.name: s.shot for s in library}
    table = next((s.table for s in chosen if s.table is not None), STANDARD_TABLES["9ft"])
    corner = counted_from([s.shot for s in chosen], table)
    attempts = list_attempts(engine)
    everything = gather_tries(attempts, shots, corner)
    players = tuple(sorted({t.player for t in everything if t.player}))
    for name in (asked.player, asked.against):
        if name is not None and name not in players:
            raise InputError(f"the log has no tries of a player {name!r}; it has {', '.join(players) or 'no names'}.")
    if asked.against is not None and asked.player in (None, asked.against):
        raise InputError("name two different players to compare.")
    period = select_tries(everything, shot=asked.shot, since=asked.since, until=asked.until, which=asked.tries)
    mine = select_tries(period, player=asked.player)
    # Of the same period: a stroke changes with practice.
    in_period = {t.id for t in select_tries(everything, since=asked.since, until=asked.until)}
    expected = ExpectedRates(strokes_of([a for a in attempts if a.id in in_period], library, only=asked.shot)[0])
    rates = make_rates(mine, asked.by, asked.cell_sights, expected)
    if asked.against is not None and asked.player is not None:
        other = select_tries(period, player=asked.against)
        rates = replace(rates, apart=compare_rates((asked.player, asked.against), mine, other, expected))
    if asked.before is not None:
        later = select_tries(mine, since=asked.before)
        earlier = [t for t in mine if t.at.date() < asked.before]
        names = (f"{asked.before} and later", "earlier")
        rates = replace(rates, apart=compare_rates(names, later, earlier, expected))
    return Answer(asked, rates, corner, table, chosen[0].shot if asked.shot is not None else None, players)
