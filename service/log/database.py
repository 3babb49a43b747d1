"""The log's database: connections that mean the same on SQLite and PostgreSQL, and migrations."""

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.pool import QueuePool

from service.log.free_values import read_json
from service.log.refusals import DatabaseAway

_LOG = logging.getLogger(__name__)
MIGRATIONS = Path(__file__).parents[1] / "migrations"
# Any number, as long as only this service's writers lock on it.
_WRITERS_LOCK = 7_241_703
_BUSY_SECONDS = 30.0
# PostgreSQL's codes of a server that is stopped, starts up or has no place for one more; those of
# class 08 are about the connection itself.
_AWAY = ("08", "57P01", "57P02", "57P03", "53300")
# A machine that is off answers nothing at all: whoever asks it must learn that within seconds.
LINK = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 25_000,
}
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_NOT_KEPT = (
    "must answer, and does not: what was acknowledged before is kept, this is not. Send it again "
    "in a moment; if it stays so, look whether PostgreSQL runs and this machine reaches it"
)
_MAYBE_KEPT = (
    "stopped answering while this was being kept: look whether it is there before you enter it "
    "again"
)
_HELD = (
    "must be free for writing, and was not for {seconds:g} s: what was acknowledged before is "
    "kept, this is not. Send it again in a moment; if it stays so, look which other program has "
    "log.sqlite open"
)


class Database:
    """Short-lived connections for one request or job each; safe to share between threads.

    Parameters
    ----------
    url : str
        SQLAlchemy address, from `service.settings.Settings.sqlalchemy_url`.
    """

    def __init__(self, url: str) -> None:
        self._away = False
        self.engine = sa.create_engine(
            url, poolclass=QueuePool, pool_size=8, max_overflow=40, **_connect_options(url)
        )
        # A reader sees one state of the log from beginning to end, as SQLite's readers do anyway.
        snapshot = {} if url.startswith("sqlite") else {"isolation_level": "REPEATABLE READ"}
        self._reading = self.engine.execution_options(**snapshot)
        self._writing = self.engine.execution_options(trayvision_writes=True)
        if self.engine.dialect.name == "sqlite":
            sa.event.listen(self.engine, "connect", _set_up_sqlite)
            sa.event.listen(self.engine, "begin", _begin_sqlite)

    @contextmanager
    def read(self) -> Iterator[sa.Connection]:
        """A connection in one consistent, read-only-by-convention transaction.

        Raises
        ------
        DatabaseAway
            If PostgreSQL does not answer, before or meanwhile, or SQLite's file is held.
        """
        with self._answering(), self._reading.connect() as connection, connection.begin():
            self._answers()
            yield connection

    @contextmanager
    def write(self) -> Iterator[sa.Connection]:
        """A connection in one transaction that commits at the end; writers come one by one.

        SQLite would otherwise fail a transaction that reads first and writes later; PostgreSQL
        would let two writers check a rule before either writes.

        Raises
        ------
        DatabaseAway
            If PostgreSQL does not answer, before or meanwhile, or SQLite's file is held.
        """
        with (
            self._answering(),
            self._writing.connect() as connection,
            connection.begin() as transaction,
        ):
            self._answers()
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_WRITERS_LOCK)))
            yield connection
            with self._answering(_MAYBE_KEPT):
                # A writer may have taken everything back.
                if transaction.is_active:
                    transaction.commit()

    @contextmanager
    def _answering(self, rule: str = _NOT_KEPT) -> Iterator[None]:
        """Errors of a database that cannot be asked now raised as such; all others as they are."""
        try:
            yield
        except sa.exc.DBAPIError as error:
            if is_held(error):
                _LOG.error("log.sqlite is held by somebody else: %s", first_line(error))
                # Also of an entry that was to be kept: SQLite keeps all of it or nothing.
                raise DatabaseAway("database", _HELD.format(seconds=_BUSY_SECONDS)) from error
            if not is_away(error):
                raise
            if not self._away:
                _LOG.error("the database does not answer: %s", first_line(error))
            self._away = True
            raise DatabaseAway("database", rule) from error

    def _answers(self) -> None:
        if self._away:
            _LOG.warning("the database answers again")
        self._away = False

    def check(self) -> None:
        """Whether the database answers, and a SQLite file is whole: before anything is written.

        Raises
        ------
        ValueError
            If it is not; says what to do.
        DBAPIError
            If SQLite's file is out of reach.
        """
        sqlite = self.engine.dialect.name == "sqlite"
        try:
            with self._reading.connect() as connection:
                asked = "PRAGMA quick_check(1)" if sqlite else "SELECT 1"
                fault = connection.exec_driver_sql(asked).scalar_one()
        except sa.exc.DBAPIError as error:
            fault = first_line(error)
            if is_held(error):
                raise ValueError(
                    f"data: {self.engine.url.database} is held by another program ({fault}): end "
                    "that first"
                ) from error
            if sqlite and not is_damaged(error):
                raise
        if sqlite and fault != "ok":
            raise ValueError(
                f"data: {self.engine.url.database} is damaged ({fault}); keep it as it is, and "
                "restore the last backup into a new folder: trayvision restore"
            )
        if not sqlite and fault != 1:
            raise no_answer(str(fault))

    def migrate(self, revision: str = "head") -> None:
        """Bring the schema up to a revision; what is there already stays.

        Raises
        ------
        ValueError
            If the log is of a later version of the program; nothing is written then.
        """
        with self.write() as connection:
            migrate_on(connection, revision)

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def migrate_on(connection: sa.Connection, revision: str = "head") -> None:
    """The same on a connection that writes, in its transaction. Raises like `Database.migrate`."""
    heads = MigrationContext.configure(connection).get_current_heads()
    if revision == "head" and heads == newest_revision():
        return
    unknown = set(heads) - _revisions()
    if unknown:
        log = "data" if connection.dialect.name == "sqlite" else "database_url"
        raise ValueError(
            f"{log}: the log is of a later version of Trayvision (its schema is "
            f"{', '.join(sorted(unknown))}, this one knows up to {', '.join(newest_revision())}), "
            "and nothing of it was changed: start that version again, or restore a backup from "
            "before it into a new folder"
        )
    command.upgrade(migration_config(connection), revision)


def migration_config(connection: sa.Connection) -> Config:
    """Alembic's configuration, without a file, on an open connection."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config


@lru_cache(maxsize=1)
def newest_revision() -> tuple[str, ...]:
    """Names of the newest migration."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return tuple(ScriptDirectory.from_config(config).get_heads())


@lru_cache(maxsize=1)
def _revisions() -> frozenset[str]:
    """Names of all migrations."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return frozenset(one.revision for one in ScriptDirectory.from_config(config).walk_revisions())


def is_away(error: sa.exc.DBAPIError) -> bool:
    """Whether an error says that PostgreSQL cannot be asked now, rather than what was asked."""
    if error.connection_invalidated:
        return True
    # SQLite's errors have no code, PostgreSQL's none where no connection came about.
    code = getattr(error.orig, "sqlstate", "no code")
    return isinstance(error, sa.exc.OperationalError) and (code is None or code.startswith(_AWAY))


def is_held(error: sa.exc.DBAPIError) -> bool:
    """Whether an error says that SQLite's file was held by somebody else for too long."""
    # The lowest byte of SQLite's codes tells the kind.
    return getattr(error.orig, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY


def is_damaged(error: sa.exc.DBAPIError) -> bool:
    """Whether an error says that SQLite's file is not whole, not that it is out of reach."""
    return getattr(error.orig, "sqlite_errorcode", 0) & 0xFF in _DAMAGED


def no_answer(fault: str) -> ValueError:
    """What is said where a database does not answer before anything was begun."""
    return ValueError(f"database_url: the database does not answer ({fault})")


def first_line(error: BaseException | None) -> str:
    """What the database's driver says in short."""
    said = error.orig if isinstance(error, sa.exc.DBAPIError) else error
    return str(said).partition("\n")[0]


def _connect_options(url: str) -> dict[str, Any]:
    if url.startswith("sqlite"):
        return {
            "connect_args": {"timeout": _BUSY_SECONDS, "check_same_thread": False},
            # PostgreSQL refuses by itself what this reads in other words.
            "json_deserializer": read_json,
        }
    return {"pool_pre_ping": True, "connect_args": {"options": "-c timezone=UTC", **LINK}}


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    # The driver's own transaction handling begins late and knows no BEGIN IMMEDIATE.
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("trayvision_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
