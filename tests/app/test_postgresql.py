"""The log on PostgreSQL. Needs the address of an empty database in RAILPOINT_TEST_POSTGRESQL, and psycopg."""

import os
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from math import isnan, nan

import pytest
from alembic import command
from sqlalchemy import Engine, create_engine, make_url, text

from app.entry.lines import put_line_right
from app.settings import Settings
from app.store.database import alembic_config, check_database, open_database, writing
from app.store.entries import restore, withdraw
from app.store.log import store_reading
from app.store.log_views import list_attempts, list_sessions, list_shots, load_session
from app.store.models import AttemptLogRow
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, attempt, reading
from tests.app.test_entries import log as log_entries
from tests.app.test_imports_at_once import take_in, taken_in_twice_at_once

ADDRESS = os.environ.get("RAILPOINT_TEST_POSTGRESQL", "")
pytestmark = pytest.mark.skipif(not ADDRESS, reason="RAILPOINT_TEST_POSTGRESQL names no database")


@pytest.fixture
def postgresql() -> Iterator[Engine]:
    """A database of this test's own: tests run side by side."""
    name = f"railpoint_test_{os.getpid()}_{time.monotonic_ns()}"
    server = create_engine(ADDRESS, isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    settings = Settings(database_url=make_url(ADDRESS).set(database=name).render_as_string(hide_password=False))
    check_database(settings)
    engine = open_database(settings)
    yield engine
    engine.dispose()
    with server.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name}"))
    server.dispose()


def test_the_schema_is_up_to_date(postgresql: Engine) -> None:
    with postgresql.begin() as connection:
        command.check(alembic_config(connection))


def test_unknown_values_and_counts(postgresql: Engine) -> None:
    unknown = replace(attempt((0.5, 0.3), 0.1), miss_m=nan, miss_sd_m=nan)
    stored = store_reading(postgresql, reading([unknown, attempt((0.5, 0.3), 2.0, t_s=9.0)]), clip())
    found = load_session(postgresql, stored.session_id)
    assert found is not None
    assert found.table == TABLE
    assert found.shots == (KICK,)
    assert found.started_at == clip().filmed_at
    assert isnan(found.attempts[0].attempt.miss_m)
    assert [(s.attempts, s.made) for s in list_shots(postgresql)] == [(2, 1)]


def test_writers_at_once_lose_nothing_and_store_nothing_twice(postgresql: Engine) -> None:
    failures: list[BaseException] = []

    def write(k: int) -> None:
        try:
            for n in range(3):
                store_reading(postgresql, reading([attempt((0.5, 0.3), 0.1)]), clip(1 + 3 * k + n), player="A. Player")
            store_reading(postgresql, reading(), clip(28))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(list_attempts(postgresql)) == 12 + 5
    assert len(list_sessions(postgresql)) == 13


def test_entries_are_added_withdrawn_and_put_right(postgresql: Engine) -> None:
    ids = log_entries(postgresql)
    store_reading(postgresql, reading(), clip())
    withdraw(postgresql, [ids[0]])
    old = next(a for a in list_attempts(postgresql) if a.id == ids[1])
    new, _ = put_line_right(postgresql, old, "start 5 by 1, through 3.25, made", KICK)
    assert [a.id for a in list_attempts(postgresql) if a.source == "hand"] == [ids[2], new]
    assert [(s.attempts, s.made) for s in list_shots(postgresql)] == [(7, 3)]
    restore(postgresql, [ids[0]])
    assert [a.number for a in list_attempts(postgresql, session_id=old.session_id)] == [1, 2, 3]
    assert len(list_attempts(postgresql, withdrawn=True)) == 9


def test_what_was_entered_comes_after_what_was_filmed_in_a_session(postgresql: Engine) -> None:
    """PostgreSQL and SQLite differ in where they put unknown times."""
    stored = store_reading(postgresql, reading(), clip())
    ids = log_entries(postgresql)
    with writing(postgresql) as session:
        for attempt_id in ids:
            row = session.get(AttemptLogRow, attempt_id)
            assert row is not None
            row.session_id = stored.session_id
    assert [a.source for a in list_attempts(postgresql)] == ["clip"] * 5 + ["hand"] * 3


@pytest.mark.parametrize("known", [False, True])
def test_two_imports_of_one_file_at_once_add_its_rows_once(
    postgresql: Engine, monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """Also of shots that the log holds already, where no new row of the library makes the second one wait."""
    if known:
        withdraw(postgresql, log_entries(postgresql))
        log_entries(postgresql, shot=replace(KICK, name="other"))
        withdraw(postgresql, [a.id for a in list_attempts(postgresql)])
    done = taken_in_twice_at_once(postgresql, monkeypatch)
    assert sorted((sum(one.added.values()), one.already) for one in done) == [(0, 3), (3, 0)]
    assert len(list_attempts(postgresql)) == 3
    assert take_in(postgresql).added == {}
