"""The schema comes up to date from every earlier revision, with all rows that were in it."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import psycopg
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.log.columns import METADATA
from service.log.database import Database, migration_config, newest_revision
from service.log.log_tables import log_tables
from service.log.schema import RUN
from tests.service.conftest import Room, sqlalchemy_address

_MOMENT = datetime(2026, 3, 2, 7, 30, 15, 250_000, tzinfo=UTC)


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Any) -> Iterator[Database]:
    """An empty database, without any table."""
    if request.param == "sqlite":
        database = Database(f"sqlite:///{tmp_path / 'log.sqlite'}")
        yield database
        database.close()
        return
    address, name = request.getfixturevalue("postgres"), f"log_{uuid4().hex}"
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    database = Database(sqlalchemy_address(address, name))
    yield database
    database.close()
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _revisions() -> list[str]:
    config = migration_config(sa.create_engine("sqlite://").connect())
    script = ScriptDirectory.from_config(config)
    return [revision.revision for revision in script.walk_revisions()]


def _filled(connection: sa.Connection) -> dict[str, list[Mapping[str, Any]]]:
    """Two rows in every table, an original and its correction where there are corrections."""
    tables = sa.MetaData()
    tables.reflect(connection)
    for table in tables.sorted_tables:
        if table.name == "alembic_version":
            continue
        for number in (1, 2):
            connection.execute(sa.insert(table).values(_row(table, number)))
    return _content(connection)


def _row(table: sa.Table, number: int) -> dict[str, Any]:
    row = {column.name: _value(column, number) for column in table.c}
    if "replaces_id" in table.c:
        original = None if number == 1 else 1
        row |= {"original_id": original, "replaces_id": original}
    return row


def _value(column: sa.Column[Any], number: int) -> Any:
    # Only the first row of each table is an original that others may refer to.
    if column.foreign_keys:
        return number if column.primary_key else 1
    if isinstance(column.type, sa.Boolean):
        return number == 1
    if isinstance(column.type, sa.DateTime):
        return _MOMENT
    if isinstance(column.type, sa.JSON):
        return {"kept": [number, None, "ü"]}
    if isinstance(column.type, sa.Integer):
        return number
    if isinstance(column.type, sa.Float):
        return number + 0.1
    return f"{column.name} {number}"[:64]


def _content(connection: sa.Connection) -> dict[str, list[Mapping[str, Any]]]:
    tables = sa.MetaData()
    tables.reflect(connection)
    return {
        table.name: [
            dict(row)
            for row in connection.execute(
                sa.select(table).order_by(*table.primary_key.columns)
            ).mappings()
        ]
        for table in tables.sorted_tables
        if table.name != "alembic_version"
    }


def test_migrated_schema_is_the_declared_one(database: Database) -> None:
    database.migrate()
    with database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, METADATA) == []


def test_there_is_one_newest_revision() -> None:
    assert len(newest_revision()) == 1


@pytest.mark.parametrize("revision", _revisions())
def test_every_revision_comes_up_to_date_with_its_rows(database: Database, revision: str) -> None:
    database.migrate(revision)
    with database.write() as connection:
        before = _filled(connection)
    database.migrate()
    with database.read() as connection:
        after = _content(connection)
        assert MigrationContext.configure(connection).get_current_heads() == newest_revision()
    for table, rows in before.items():
        assert len(rows) == 2, table
        assert _shared(after[table], rows) == rows, table


def _shared(
    after: list[Mapping[str, Any]], before: list[Mapping[str, Any]]
) -> list[Mapping[str, Any]]:
    """Rows after a migration in the columns that they had before it."""
    return [{name: row[name] for name in old} for row, old in zip(after, before, strict=True)]


def test_parts_of_before_are_told_of_the_tray_they_were_taken_from(database: Database) -> None:
    database.migrate("0009")
    at = [_MOMENT + timedelta(days=day) for day in range(4)]
    # Two runs are spread; a part of the first is put over, then a part of that; it is corrected.
    rows: list[dict[str, Any]] = [
        {"id": 1, "entered_at": at[0]},
        {"id": 2, "entered_at": at[0]},
        {"id": 3, "entered_at": at[1], "original_id": 1, "replaces_id": 1},
        {"id": 4, "entered_at": at[1], "split_from_id": 1},
        {"id": 5, "entered_at": at[2], "original_id": 4, "replaces_id": 4, "split_from_id": 1},
        {"id": 6, "entered_at": at[2], "split_from_id": 1},
        {"id": 7, "entered_at": at[3], "original_id": 6, "replaces_id": 6, "split_from_id": 1},
    ]
    with database.write() as connection:
        tables = sa.MetaData()
        tables.reflect(connection)
        run, tray = tables.tables["run"], tables.tables["tray"]
        connection.execute(sa.insert(tray).values(_row(tray, 1) | {"entered_by": None}))
        for row in rows:
            moments = {"spread_at": _MOMENT, "withdrawn": False, "tray_id": 1}
            connection.execute(sa.insert(run).values(moments | row))
    database.migrate()
    with database.read() as connection:
        taken = sa.select(RUN.c.id, RUN.c.taken_from_id).order_by(RUN.c.id)
        found = {row.id: row.taken_from_id for row in connection.execute(taken)}
    assert found == {1: None, 2: None, 3: None, 4: 1, 5: 1, 6: 4, 7: 4}


def test_migrating_again_changes_nothing(database: Database) -> None:
    database.migrate()
    with database.write() as connection:
        before = _filled(connection)
    database.migrate()
    with database.read() as connection:
        assert _content(connection) == before


def test_migration_that_fails_leaves_the_log_as_it_was(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    create = sa.schema.MetaData.create_all

    def fail_at_the_end(self: sa.MetaData, *args: Any, **kwargs: Any) -> None:
        create(self, *args, **kwargs)
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(sa.schema.MetaData, "create_all", fail_at_the_end)
    with pytest.raises(RuntimeError, match="the disk is full"):
        database.migrate()
    with database.read() as connection:
        assert sa.inspect(connection).get_table_names() == []


def test_log_of_a_later_version_is_told_and_left_as_it_is(database: Database) -> None:
    database.migrate()
    with database.write() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(ValueError, match=r"of a later version of Trayvision \(its schema is 9999"):
        database.migrate()
    with database.read() as connection:
        assert MigrationContext.configure(connection).get_current_heads() == ("9999",)


def test_a_table_that_somebody_added_is_one_of_the_log(room: Room) -> None:
    with room.service.database.write() as connection:
        before = {table.name for table in log_tables(connection)}
        connection.exec_driver_sql("CREATE TABLE own_notes (id INTEGER PRIMARY KEY, said TEXT)")
        assert {table.name for table in log_tables(connection)} - before == {"own_notes"}
        connection.exec_driver_sql("ALTER TABLE own_notes ADD COLUMN said_by TEXT")
        (own,) = (table for table in log_tables(connection) if table.name == "own_notes")
        assert list(own.c.keys()) == ["id", "said", "said_by"]
