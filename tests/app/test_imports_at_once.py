"""The same file of attempts taken in by two at once: its rows are in the log once."""

import threading
from dataclasses import replace
from io import StringIO

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from app.entry import csv_import
from app.entry.csv_import import Imported, import_attempts
from app.fitting.attempts_csv import read_attempts
from app.store.log_views import list_attempts, list_sessions, list_shots
from app.store.logged import LoggedAttempt
from tests.app.scenario import KICK

OTHER = replace(KICK, name="other")
FILE = f"""shot,start_x_m,start_y_m,bearing_deg,miss_m,outcome,at,player
{KICK.name},0.9,0.3,55,0.01,missed,2026-02-01T10:00:00,B
other,0.8,0.3,54,,made,2026-02-01T10:01:00,B
{KICK.name},0.7,0.3,53,0.02,missed,2026-02-02,C
"""
# So long the first one waits for the second, which is held up until the first is done.
WAIT_S = 1.0


def take_in(engine: Engine) -> Imported:
    file = read_attempts(StringIO(FILE), "attempts.csv")
    return import_attempts(engine, file, "attempts.csv", shots={KICK.name: KICK, "other": OTHER})


def taken_in_twice_at_once(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> list[Imported]:
    """The second begins, and is given time to look at the log, between the first one's look and its writing."""
    done: list[Imported] = []
    second = threading.Thread(target=lambda: done.append(take_in(engine)))
    look = csv_import.attempts_seen

    def look_and_let_the_other_begin(session: Session, shot_name: str) -> tuple[LoggedAttempt, ...]:
        seen = look(session, shot_name)
        if threading.current_thread() is not second and not second.ident:
            second.start()
            second.join(WAIT_S)
        return seen

    monkeypatch.setattr(csv_import, "attempts_seen", look_and_let_the_other_begin)
    done.append(take_in(engine))
    second.join()
    return done


def test_two_imports_of_one_file_at_once_add_its_rows_once(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    done = taken_in_twice_at_once(engine, monkeypatch)
    assert sorted((sum(one.added.values()), one.already) for one in done) == [(0, 3), (3, 0)]
    assert len(list_attempts(engine)) == 3
    assert len(list_sessions(engine)) == 2
    assert [one.shot.name for one in list_shots(engine)] == [KICK.name, "other"]
