"""The attempts at a shot as a list of entries: where each comes from, what it says, whether it was taken out."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

from app.store.logged import LoggedAttempt
from app.telling.words import tell_attempt
from vision.shot import Shot

ORIGINS = {"clip": "measured by film", "hand": "entered by hand", "import": "imported"}
COLUMNS = ("No.", "Day", "Player", "Origin", "What it says", "State")


@dataclass(frozen=True)
class ListedEntry:
    """One line of the list. ``number`` is the attempt's own in the log, which never changes."""

    number: int
    day: str
    player: str
    origin: str
    says: str
    state: str
    by_hand: bool
    withdrawn: bool

    def cells(self) -> tuple[str, ...]:
        return str(self.number), self.day, self.player or "–", self.origin, self.says, self.state


def list_entries(attempts: Sequence[LoggedAttempt], shot: Shot) -> list[ListedEntry]:
    """``attempts`` at one shot, those taken out among them; in order of number."""
    replaced = {a.entry.replaces: a.id for a in attempts if a.entry is not None and a.entry.replaces is not None}
    return [_listed(a, shot, replaced.get(a.id)) for a in sorted(attempts, key=lambda a: a.id)]


def write_entries(entries: Sequence[ListedEntry], stream: TextIO) -> None:
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("number", "day", "player", "origin", "says", "state"))
    for e in entries:
        writer.writerow((e.number, e.day, e.player, e.origin, e.says, e.state))


def origin_of(logged: LoggedAttempt) -> str:
    """``imported from spring.csv``."""
    origin = ORIGINS.get(logged.source, logged.source)
    return f"{origin} from {logged.entry.file}" if logged.entry is not None and logged.entry.file else origin


def _listed(a: LoggedAttempt, shot: Shot, replaced_by: int | None) -> ListedEntry:
    state = "counts"
    if a.withdrawn:
        state = "taken out" if replaced_by is None else f"put right as {replaced_by}"
    elif a.entry is not None and a.entry.replaces is not None:
        state = f"in place of {a.entry.replaces}"
    return ListedEntry(
        number=a.id,
        day=f"{a.at:%Y-%m-%d}",
        player=a.player,
        origin=origin_of(a),
        says=a.entry.line if a.entry is not None and a.entry.line else _words(a, shot),
        state=state,
        by_hand=a.source == "hand",
        withdrawn=a.withdrawn,
    )


def _words(a: LoggedAttempt, shot: Shot) -> str:
    words = tell_attempt(a.attempt, shot, a.table)
    outcome = words.outcome if words.miss == "–" else f"{words.outcome}, {words.miss}"
    return f"start {words.start}; line {words.line}; {outcome}"
