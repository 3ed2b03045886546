"""The aim card of a shot of the log, as the command line, the page and the interface ask for it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from sqlalchemy import Engine

from app.card.aim_card import AimCard, NoCard, aim_card
from app.card.chance import with_chances
from app.card.player_stroke import stated_stroke, stroke_of_player
from app.fitting.log_fit import Job
from app.fitting.pooled import APART, NOT_KNOWN
from app.store.log_views import list_attempts, list_shots
from app.store.logged import LoggedAttempt, LoggedShot
from app.telling.practice import Practice, attempt_rows, practise, practised_rows, same_size
from app.telling.rest_of_log import rest_of_log
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Rail, Table
from vision.shot import Shot

# What the attempts of a card differ by, and the one value that is wanted: ("speed", "medium").
Part = tuple[str, str]


@dataclass(frozen=True)
class Answer:
    """A card, or why there is none, with the attempts behind it. ``parts`` are those chosen; ``choices`` what could be
    told apart still, with the number of attempts of each value."""

    card: AimCard | NoCard
    practice: Practice
    parts: tuple[Part, ...]
    choices: tuple[tuple[str, tuple[tuple[str, int], ...]], ...]

    @property
    def notes(self) -> list[str]:
        """What a reader should know of the attempts behind the card."""
        away = self.practice.elsewhere
        left = [f"{away} attempts on tables of another size are left out."] if away else []
        return [*left, *self.practice.fit.remarks]

    @property
    def part(self) -> str:
        """``speed soft, player A``; empty when nothing was chosen."""
        return ", ".join(f"{by} {value}" for by, value in self.parts)


def card_of_log(
    engine: Engine,
    drilled: LoggedShot,
    *,
    parts: Sequence[Part] = (),
    near: Rail | None = None,
    table: Table | None = None,
    spread_rad: float | None = None,
) -> Answer:
    """The card of a shot from its attempts in the log, or from those of the given parts alone.

    ``spread_rad`` is the stroke spread for which the chances are told; without it that of the player, if all attempts
    are by one and their lines tell it.

    Raises InputError for a part that is not there, for a near rail that is the shot's first, and for a spread that no
    stroke has.
    """
    said = None if spread_rad is None else stated_stroke(spread_rad)
    shot, on = drilled.shot, table or drilled.table or STANDARD_TABLES["9ft"]
    logged = list_attempts(engine, shot_name=shot.name)
    chosen = choose(logged, shot, parts)
    others = rest_of_log(engine, shot.name, on)
    if parts:
        ours = {one.id for one in chosen}
        left_out = [one for one in logged if one.id not in ours]
        rest = Job(f"{shot.name} (rest)", tuple(practised_rows(shot, on, left_out)), shot)
        practice = practise(shot, on, chosen, None, lambda: [rest, *others()])
    else:
        practice = practise(shot, on, chosen, None, others)
    choices = tuple((entry.by, entry.counts) for entry in practice.fit.pooled if entry.by in APART)
    card = aim_card(practice.fit, practice.rows, shot, on, near)
    if isinstance(card, AimCard):
        here = [one for one in chosen if same_size(one.table, on)]
        stroke = said or stroke_of_player(replace(drilled, table=on), here, partial(_everything, engine))
        card = card if stroke is None else with_chances(card, stroke)
    return Answer(card, practice, tuple(parts), choices)


def parse_part(text: str) -> Part:
    """``speed=medium``, as the command line and the interface take it. Raises InputError."""
    by, found, value = text.partition("=")
    by = by.strip()
    if by not in APART:
        raise InputError(f"a part {text!r} is not known; write one of {', '.join(APART)} and a value: speed=medium.")
    if not found or not value.strip():
        raise InputError(f"a part {text!r} has no value; write one, such as {by}={EXAMPLES.get(by, 'VALUE')}.")
    return by, value.strip()


def _everything(engine: Engine) -> tuple[Sequence[LoggedAttempt], Sequence[LoggedShot]]:
    return list_attempts(engine), list_shots(engine)


EXAMPLES = {"english": "none", "speed": "medium", "player": "NAME", "day": "2026-03-01", "session": "4 of 2026-03-01"}


def choose(logged: Sequence[LoggedAttempt], shot: Shot, parts: Sequence[Part]) -> list[LoggedAttempt]:
    """The attempts of the given parts. Raises InputError, naming what there is, for a part that has none."""
    kept = list(logged)
    for by, value in parts:
        values = [_value(one, shot, by) for one in kept]
        if value not in values:
            there = ", ".join(dict.fromkeys(values)) or "none"
            raise InputError(f"no attempt at {shot.name!r} has {by} {value!r}; there is {there}.")
        kept = [one for one, mine in zip(kept, values, strict=True) if mine == value]
    return kept


def _value(logged: LoggedAttempt, shot: Shot, by: str) -> str:
    row = next(iter(attempt_rows([logged], shot)), None)
    return (None if row is None else APART[by](row)) or NOT_KNOWN
