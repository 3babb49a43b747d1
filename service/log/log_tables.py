"""All tables of a log as they lie in its database, whatever revision it has."""

from collections.abc import Hashable, Iterator
from typing import Any

import sqlalchemy as sa
from alembic.migration import MigrationContext

from service.log.database import Database
from service.log.sql_types import Json, Moment
from service.settings import Settings

_REVISION_TABLE = "alembic_version"
# Kept out of exports, which are handed on; backups hold them.
SECRET_TABLES = frozenset(
    {"access_token", "login_guess", "login_session", "person_password", "secret"}
)
_BATCH_ROWS = 500
# Reading a schema takes a tenth of a second; the tables found are the same wherever it is the same.
_FOUND: dict[Hashable, list[sa.Table]] = {}
# One for each revision, and some of logs that somebody changed.
_MOST_FOUND = 64


def log_tables(connection: sa.Connection, *, secrets: bool = True) -> list[sa.Table]:
    """The tables of a log, each after those that it refers to.

    They are read from the database itself, so that a table can neither be forgotten nor be of
    another revision than its rows.
    """
    schema = _schema(connection)
    tables = _FOUND.get(schema)
    if tables is None:
        tables = _read_tables(connection)
        if len(_FOUND) >= _MOST_FOUND:
            _FOUND.clear()
        if schema is not None:
            _FOUND[schema] = tables
    return [table for table in tables if secrets or table.name not in SECRET_TABLES]


def _schema(connection: sa.Connection) -> Hashable:
    """What is equal where the tables are; None: nobody can say.

    SQLite keeps the words that made its tables, and a file may be anybody's. In PostgreSQL
    migrations make them, and whoever has the database may add columns and tables of their own.
    """
    if connection.dialect.name == "sqlite":
        asked = "SELECT sql FROM sqlite_master ORDER BY rowid"
        return tuple(connection.exec_driver_sql(asked).scalars())
    heads = MigrationContext.configure(connection).get_current_heads()
    columns = connection.exec_driver_sql(
        "SELECT table_name, column_name, data_type FROM information_schema.columns "
        "WHERE table_schema = current_schema() ORDER BY table_name, ordinal_position"
    )
    return (heads, *map(tuple, columns)) if heads else None


def _read_tables(connection: sa.Connection) -> list[sa.Table]:
    found = sa.MetaData()

    @sa.event.listens_for(found, "column_reflect")
    def _as_the_log_means_it(_inspector: Any, _table: Any, column: Any) -> None:
        if isinstance(column["type"], sa.DateTime):
            column["type"] = Moment()
        elif isinstance(column["type"], sa.JSON):
            column["type"] = Json

    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name != _REVISION_TABLE]


def revision_of(connection: sa.Connection) -> str:
    """Newest migration that a log has been through."""
    revision = MigrationContext.configure(connection).get_current_revision()
    if revision is None:
        raise ValueError("database must hold a log, got one without any migration")
    return revision


def batches(connection: sa.Connection, table: sa.Table) -> Iterator[list[dict[str, Any]]]:
    """Rows of a table by their key, some hundred at a time."""
    statement = sa.select(table).order_by(*table.primary_key.columns)
    result = connection.execution_options(yield_per=_BATCH_ROWS).execute(statement)
    for part in result.mappings().partitions(_BATCH_ROWS):
        yield [dict(row) for row in part]


def row_counts(connection: sa.Connection, tables: list[sa.Table]) -> dict[str, int]:
    """Number of rows by table."""
    return {
        table.name: connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
        for table in tables
    }


def holds_log(settings: Settings) -> bool:
    """Whether a log was begun where the settings say; begins none."""
    if settings.database_url is None:
        return (settings.data / "log.sqlite").exists()
    database = Database(settings.sqlalchemy_url())
    try:
        with database.read() as connection:
            return bool(log_tables(connection))
    finally:
        database.close()
