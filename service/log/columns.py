"""What the log's tables are built from: names of rules, entry columns, kinds of columns."""

from typing import Any

import sqlalchemy as sa

from service.log.sql_types import Id, Moment

METADATA = sa.MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def entry_columns(table: str) -> list[sa.schema.SchemaItem]:
    """Columns and rules that make a table correctable without overwriting."""
    return [
        sa.Column("id", Id, primary_key=True, autoincrement=True),
        sa.Column("original_id", Id, sa.ForeignKey(f"{table}.id"), index=True),
        sa.Column("replaces_id", Id, sa.ForeignKey(f"{table}.id"), unique=True),
        sa.Column("entered_at", Moment, nullable=False),
        sa.Column("entered_by", Id, sa.ForeignKey("person.id")),
        sa.Column("why", sa.Text),
        sa.Column("withdrawn", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.CheckConstraint(
            "(original_id IS NULL) = (replaces_id IS NULL)", name=f"{table}_correction_is_whole"
        ),
    ]


def refers_column(
    name: str, table: str, *, required: bool = False, index: bool = True
) -> sa.Column[int]:
    """A column that names the original row of another thing."""
    return sa.Column(name, Id, sa.ForeignKey(f"{table}.id"), nullable=not required, index=index)


def text_column(name: str, *, required: bool = False) -> sa.Column[str]:
    """A column of text."""
    return sa.Column(name, sa.Text, nullable=not required)


def number_column(name: str, *, required: bool = False) -> sa.Column[float]:
    """A column of a number."""
    return sa.Column(name, sa.Float, nullable=not required)


def moment_column(name: str, *, required: bool = False, index: bool = False) -> sa.Column[object]:
    """A column of a moment, in UTC."""
    return sa.Column(name, Moment, nullable=not required, index=index)


def entries_table(name: str, *columns: sa.Column[Any]) -> sa.Table:
    """A table of the log whose rows can be corrected without overwriting."""
    return sa.Table(name, METADATA, *entry_columns(name), *columns)
