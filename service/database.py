"""The log's database: connections that mean the same on SQLite and PostgreSQL, and migrations."""

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

MIGRATIONS = Path(__file__).parent / "migrations"
# Any number, as long as only this service's writers lock on it.
_WRITERS_LOCK = 7_241_703
_BUSY_SECONDS = 30.0


class Database:
    """Short-lived connections for one request or job each; safe to share between threads.

    Parameters
    ----------
    url : str
        SQLAlchemy address, from `service.settings.Settings.sqlalchemy_url`.
    """

    def __init__(self, url: str) -> None:
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
        """A connection in one consistent, read-only-by-convention transaction."""
        with self._reading.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[sa.Connection]:
        """A connection in one transaction that commits at the end; writers come one by one.

        SQLite would otherwise fail a transaction that reads first and writes later; PostgreSQL
        would let two writers check a rule before either writes.
        """
        with self._writing.connect() as connection, connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_WRITERS_LOCK)))
            yield connection

    def check(self) -> None:
        """Whether the database answers, and a SQLite file is whole: before anything is written.

        Raises
        ------
        ValueError
            If it is not; says what to do.
        """
        sqlite = self.engine.dialect.name == "sqlite"
        try:
            with self.read() as connection:
                asked = "PRAGMA quick_check(1)" if sqlite else "SELECT 1"
                fault = connection.exec_driver_sql(asked).scalar_one()
        except sa.exc.DBAPIError as error:
            fault = str(error.orig).partition("\n")[0]
        if sqlite and fault != "ok":
            raise ValueError(
                f"data: {self.engine.url.database} is damaged ({fault}); keep it as it is, and "
                "restore the last backup into a new folder: trayvision restore"
            )
        if not sqlite and fault != 1:
            raise ValueError(f"database_url: the database does not answer ({fault})")

    def migrate(self, revision: str = "head") -> None:
        """Bring the schema up to a revision; what is there already stays."""
        with self.write() as connection:
            is_new = MigrationContext.configure(connection).get_current_heads() == newest_revision()
            if revision == "head" and is_new:
                return
            command.upgrade(migration_config(connection), revision)

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


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


def _connect_options(url: str) -> dict[str, Any]:
    if url.startswith("sqlite"):
        return {"connect_args": {"timeout": _BUSY_SECONDS, "check_same_thread": False}}
    return {"pool_pre_ping": True, "connect_args": {"options": "-c timezone=UTC"}}


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    # The driver's own transaction handling begins late and knows no BEGIN IMMEDIATE.
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("trayvision_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
