"""Opening the database: SQLite's rules, the schema brought up to date, and the two kinds of transaction."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError
from sqlalchemy.orm import Session

from app.settings import Settings
from calibration.errors import InputError

MIGRATIONS = Path(__file__).parent / "migrations"
# Set on connections that only read, so that they never wait for a writer.
READS_ONLY = "railpoint_reads_only"


def open_database(settings: Settings) -> Engine:
    """An engine on the log with the schema of this version; a missing database is made.

    Raises InputError, in one sentence, when the address is wrong or the database cannot be reached or written.
    """
    url = _checked_url(settings)
    if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
        try:
            Path(url.database).parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"{Path(url.database).parent}: the folder for the log cannot be made ({error.strerror}); "
                "choose another with RAILPOINT_DATA_DIR."
            ) from error
    engine = _engine(url, settings.database_wait_s, keeps_wal=True)
    try:
        with engine.begin() as connection:
            command.upgrade(alembic_config(connection), "head")
    except DBAPIError as error:
        engine.dispose()
        raise InputError(f"{_shown(url)}: the log cannot be opened ({_reason(error)}).") from error
    except CommandError as error:
        engine.dispose()
        raise InputError(
            f"{_shown(url)}: the log was made by a newer Railpoint; bring this program up to date."
        ) from error
    return engine


@contextmanager
def opened(settings: Settings, *, make: bool = True) -> Iterator[Engine]:
    """The log for the length of a command; its connections are closed at the end.

    Without ``make`` a log that is not there yet is refused, not made.
    """
    if not make and not database_exists(settings):
        raise InputError("the log is empty; read a clip with 'railpoint read' first.")
    engine = open_database(settings)
    try:
        yield engine
    finally:
        engine.dispose()


def check_database(settings: Settings) -> None:
    """Refuse, before long work begins, a database that could not be written later. Makes and changes nothing."""
    url = _checked_url(settings)
    if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
        path = Path(url.database)
        if not path.exists():
            nearest = next(folder for folder in path.absolute().parents if folder.exists())
            if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
                raise InputError(
                    f"{path}: the log cannot be made there; choose another folder with RAILPOINT_DATA_DIR."
                )
            return
        if not path.is_file() or not os.access(path, os.W_OK) or not os.access(path.parent, os.W_OK | os.X_OK):
            raise InputError(f"{path}: the log cannot be written; choose another folder with RAILPOINT_DATA_DIR.")
    engine = _engine(url, settings.database_wait_s)
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql("SELECT 1")
            if url.get_backend_name() == "sqlite":
                connection.exec_driver_sql("SELECT count(*) FROM sqlite_master")
    except DBAPIError as error:
        raise InputError(f"{_shown(url)}: the log cannot be opened ({_reason(error)}).") from error
    finally:
        engine.dispose()


def database_exists(settings: Settings) -> bool:
    """Whether there is a log already; one that is not a file of SQLite is taken to be there."""
    url = _checked_url(settings)
    return url.get_backend_name() != "sqlite" or (url.database is not None and Path(url.database).exists())


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """A session that sees one state of the log and changes nothing."""
    options: dict[str, Any] = {READS_ONLY: True}
    if engine.dialect.name == "postgresql":
        # Its default shows each statement a newer state; SQLite keeps one for the whole transaction by itself.
        options["isolation_level"] = "REPEATABLE READ"
    with (
        engine.connect().execution_options(**options) as connection,
        Session(connection, expire_on_commit=False) as session,
    ):
        yield session


@contextmanager
def writing(engine: Engine) -> Iterator[Session]:
    """A session whose changes all happen, or none. Raises InputError when another program keeps the log locked."""
    try:
        with Session(engine, expire_on_commit=False) as session, session.begin():
            yield session
    except OperationalError as error:
        raise InputError(
            f"{_shown(engine.url)}: the log cannot be written now ({_reason(error)}); try again."
        ) from error


def alembic_config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _engine(url: URL, wait_s: float, *, keeps_wal: bool = False) -> Engine:
    if url.get_backend_name() != "sqlite":
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": wait_s})

    # The driver's own transaction handling begins too late (it lets two writers read the same state and lose one's
    # update); SQLAlchemy's manual advises to switch it off and to emit BEGIN oneself.
    @event.listens_for(engine, "connect")
    def configure(driver: Any, _record: Any) -> None:
        driver.isolation_level = None
        cursor = driver.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {int(1000 * wait_s)}")
        cursor.execute("PRAGMA foreign_keys = ON")
        if keeps_wal:
            cursor.execute("PRAGMA journal_mode = WAL").fetchall()
        cursor.close()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        reads_only = connection.get_execution_options().get(READS_ONLY, False)
        connection.exec_driver_sql("BEGIN" if reads_only else "BEGIN IMMEDIATE")

    return engine


def _checked_url(settings: Settings) -> URL:
    try:
        url = make_url(settings.url)
        url.get_dialect()
    except (ArgumentError, NoSuchModuleError) as error:
        raise InputError(
            "setting RAILPOINT_DATABASE_URL is not a database address; it looks like sqlite:////home/me/log.sqlite3 "
            "or postgresql+psycopg://user@host/name."
        ) from error
    try:
        url.get_dialect().import_dbapi()
    except ImportError as error:
        raise InputError(
            f"setting RAILPOINT_DATABASE_URL needs the Python package {error.name!r}; install it beside railpoint."
        ) from error
    return url


def _shown(url: URL) -> str:
    return url.database or "memory" if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)


def _reason(error: DBAPIError) -> str:
    """The driver's own words, one line: they name no statement and no value."""
    return str(error.orig).strip().splitlines()[0] if error.orig and str(error.orig).strip() else "no reason given"
