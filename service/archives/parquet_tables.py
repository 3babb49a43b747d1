"""Tables of an export as Parquet files, where pyarrow is installed.

It is far larger than all else that the service needs, so it comes only on request:
``pip install "trayvision[parquet]"``. JSON columns are text.
"""

from importlib import import_module
from importlib.util import find_spec
from io import RawIOBase
from typing import Any

import sqlalchemy as sa

from service.archives.archive import ArchiveWriter, MemberWriter
from service.log.log_tables import batches
from service.log.refusals import Refusal
from service.log.sql_types import Moment
from service.log.written_values import json_cell


def check_parquet() -> None:
    """Say what to do where Parquet cannot be written.

    Raises
    ------
    Refusal
        If pyarrow is not installed.
    """
    if find_spec("pyarrow") is None:
        raise Refusal(
            "parquet",
            "needs pyarrow, which is not installed: pip install 'trayvision[parquet]'; "
            "CSV and JSON need nothing",
        )


def add_parquet(writer: ArchiveWriter, connection: sa.Connection, table: sa.Table) -> None:
    """Write one table as ``parquet/NAME.parquet``."""
    arrow, files = import_module("pyarrow"), import_module("pyarrow.parquet")
    schema = arrow.schema([(column.name, _type(arrow, column)) for column in table.c])
    with writer.member(f"parquet/{table.name}.parquet", compressed=False) as member:
        sink = arrow.PythonFile(_Sink(member), mode="w")
        with files.ParquetWriter(sink, schema) as file:
            for batch in batches(connection, table):
                rows = [_row(table, row) for row in batch]
                file.write_table(arrow.Table.from_pylist(rows, schema=schema))


class _Sink(RawIOBase):
    """A member of an archive as the file that Arrow expects."""

    def __init__(self, member: MemberWriter) -> None:
        self._member = member

    def writable(self) -> bool:
        return True

    def write(self, content: Any) -> int:
        return self._member.write(bytes(content))


def _type(arrow: Any, column: sa.Column[Any]) -> Any:
    kind = column.type
    if isinstance(kind, Moment):
        return arrow.timestamp("us", tz="UTC")
    for one, name in ((sa.Boolean, "bool_"), (sa.Integer, "int64"), (sa.Float, "float64")):
        if isinstance(kind, one):
            return getattr(arrow, name)()
    return arrow.string()


def _row(table: sa.Table, row: dict[str, Any]) -> dict[str, Any]:
    return {
        column.name: (json_cell(row[column.name]) or None)
        if isinstance(column.type, sa.JSON)
        else row[column.name]
        for column in table.c
    }
