"""A log put together beside the room's own, from an archive, and brought up to date.

Rows of an archive are of the revision that wrote it. They go into a fresh SQLite database of
that revision first, which holds them to all rules of the schema, and the migrations bring them
up to date there. Only what has come through all of this is copied into a room.
"""

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import groupby, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import sqlalchemy as sa
from alembic.script import ScriptDirectory
from sqlalchemy.exc import DatabaseError, IntegrityError, SQLAlchemyError

from service.archives.archive import ArchiveReader
from service.archives.written_tables import Form, ReadRow, read_rows
from service.log.database import MIGRATIONS, Database, first_line
from service.log.log_tables import batches, log_tables, row_counts
from service.log.refusals import Conflict, Refusal

LOG_SQLITE = "log.sqlite"
_BATCH_ROWS = 500


@contextmanager
def staged_log(archive: ArchiveReader, folder: Path, *, form: Form) -> Iterator[Database]:
    """The log of an archive in a database of its own, at this service's revision.

    Parameters
    ----------
    archive : ArchiveReader
        Verified before.
    folder : Path
        Where the database lies meanwhile.
    form : Form
        Which tables to read, where the archive has no whole database.

    Raises
    ------
    Refusal
        If rows break a rule of the log, or number others than the manifest says.
    Conflict
        If the archive was written by a later version than this one.
    """
    revision = archive.manifest.schema_revision
    with TemporaryDirectory(dir=folder, prefix=".staged-") as name:
        path = Path(name) / LOG_SQLITE
        if archive.has(LOG_SQLITE):
            with archive.file(LOG_SQLITE) as source, path.open("wb") as copy:
                shutil.copyfileobj(source, copy)
        database = Database(f"sqlite:///{path}")
        try:
            _check_revision(archive)
            if archive.has(LOG_SQLITE):
                check_database(database)
                with database.read() as connection:
                    _check_counts(connection, log_tables(connection), archive)
            else:
                database.migrate(revision)
                try:
                    _fill(database, archive, form)
                except IntegrityError as error:
                    raise Refusal("archive", "must refer only to rows that it holds") from error
            database.migrate()
            yield database
        finally:
            database.close()


def copy_rows(
    source: sa.Connection, target: sa.Connection, tables: Sequence[sa.Table]
) -> dict[str, int]:
    """Copy all rows into a log of the same revision that has none; returns numbers by table.

    Raises
    ------
    Refusal
        If the target's database cannot hold a value.
    """
    counts = {}
    for table in tables:
        counts[table.name] = 0
        for batch in batches(source, table):
            try:
                target.execute(sa.insert(table), batch)
            except SQLAlchemyError as error:
                raise Refusal(
                    table.name,
                    f"has a value that this database cannot hold ({first_line(error)}), in its "
                    f"rows {_numbers(batch)}; nothing was kept there",
                ) from error
            counts[table.name] += len(batch)
        if target.dialect.name == "postgresql" and "id" in table.c:
            _count_on(target, table)
    return counts


def check_database(database: Database) -> None:
    """Hold an SQLite database to its own rules.

    Raises
    ------
    Refusal
        If it is damaged, or refers to rows that it does not hold.
    """
    try:
        with database.read() as connection:
            for pragma, good in (("integrity_check", [("ok",)]), ("foreign_key_check", [])):
                found = [tuple(row) for row in connection.exec_driver_sql(f"PRAGMA {pragma}")]
                if found != good:
                    raise Refusal(LOG_SQLITE, f"must pass {pragma}, which says {found[:3]}")
    except DatabaseError as error:
        raise Refusal(LOG_SQLITE, f"must be a whole SQLite database: {error.orig}") from error


def _numbers(rows: list[dict[str, Any]]) -> str:
    return f"{rows[0]['id']} to {rows[-1]['id']}" if "id" in rows[0] else f"({len(rows)} of them)"


def _count_on(connection: sa.Connection, table: sa.Table) -> None:
    """Let new rows be numbered after those that were copied."""
    sequence = sa.func.pg_get_serial_sequence(table.name, "id")
    last = sa.select(sa.func.max(table.c.id)).scalar_subquery()
    connection.execute(
        sa.select(sa.func.setval(sequence, sa.func.coalesce(last, 1), last.is_not(None)))
    )


def _check_revision(archive: ArchiveReader) -> None:
    manifest, script = archive.manifest, ScriptDirectory(str(MIGRATIONS))
    if manifest.schema_revision not in {one.revision for one in script.walk_revisions()}:
        raise Conflict(
            "schema_revision",
            f"must be one that this version knows, up to {script.get_current_head()}; the archive "
            f"has {manifest.schema_revision!r:.40}, written by trayvision "
            f"{manifest.trayvision!r:.40}: install that version or a later one",
        )


def _fill(database: Database, archive: ArchiveReader, form: Form) -> None:
    with database.write() as connection:
        connection.exec_driver_sql("PRAGMA defer_foreign_keys=ON")
        tables = {table.name: table for table in log_tables(connection)}
        rows = read_rows(archive, tables, form)
        for name, of_table in groupby(rows, key=lambda row: row.table):
            while batch := list(islice(of_table, _BATCH_ROWS)):
                _insert(connection, tables[name], batch)
        _check_counts(connection, list(tables.values()), archive)


def _insert(connection: sa.Connection, table: sa.Table, rows: list[ReadRow]) -> None:
    try:
        connection.execute(sa.insert(table), [row.values for row in rows])
    except (SQLAlchemyError, OverflowError) as error:
        first, last = rows[0], rows[-1]
        raise Refusal(
            first.member,
            f"lines {first.line} to {last.line} break a rule of the log: {first_line(error)}",
        ) from error


def _check_counts(
    connection: sa.Connection, tables: list[sa.Table], archive: ArchiveReader
) -> None:
    stated, found = archive.manifest.rows, row_counts(connection, tables)
    for table in sorted({*stated, *found}):
        if stated.get(table, 0) != found.get(table, 0):
            raise Refusal(
                table,
                f"must have the {stated.get(table, 0)} rows that the manifest states, "
                f"has {found.get(table, 0)}",
            )
