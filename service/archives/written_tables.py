"""Tables of the log written whole, corrections included, as JSON and as CSV, and read again.

`log.json` is one JSON object, ``{"tables": {name: [row, …]}}``, with a row on each line, so that
a log larger than the memory can be written and read; a table comes after those that it refers to.
`tables/NAME.csv` holds the same rows (RFC 4180, UTF-8 with the mark that spreadsheets look for).
Either is enough to read the whole log again. How values are written: `service.log.written_values`.
"""

import csv
import io
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import IO, Any

import sqlalchemy as sa

from service.archives.archive import ArchiveReader, MemberWriter
from service.log.log_tables import batches
from service.log.refusals import Refusal
from service.log.written_values import from_cell, from_json, json_value, row_cells

LOG_JSON = "log.json"
_FIRST, _LAST = '{"tables": {', "}}"
# No row of a log comes near this; a line without an end would fill the memory.
_LONGEST_LINE = 64 << 20


class Form(StrEnum):
    """Which of the two to read."""

    JSON = "json"
    CSV = "csv"


@dataclass(frozen=True)
class ReadRow:
    """A row of an archive, and where it stands in it."""

    table: str
    member: str
    line: int
    values: dict[str, Any]


def csv_member(table: str) -> str:
    """Name of a table's CSV file in an archive."""
    return f"tables/{table}.csv"


def write_json(
    member: MemberWriter, connection: sa.Connection, tables: list[sa.Table]
) -> dict[str, int]:
    """Write all tables; returns the number of rows by table."""
    counts = {}
    member.write(f"{_FIRST}\n".encode())
    for place, table in enumerate(tables):
        member.write(f"{json.dumps(table.name)}: [".encode())
        count = 0
        for batch in batches(connection, table):
            lines = [_json_line(row) for row in batch]
            member.write((",\n" if count else "\n").encode() + ",\n".join(lines).encode())
            count += len(batch)
        member.write(("\n]\n" if place == len(tables) - 1 else "\n],\n").encode())
        counts[table.name] = count
    member.write(f"{_LAST}\n".encode())
    return counts


def write_csv(member: MemberWriter, connection: sa.Connection, table: sa.Table) -> None:
    """Write one table with its column names on top."""
    write_cells(member, [column.name for column in table.c], _rows_of_cells(connection, table))


def write_cells(member: MemberWriter, header: list[str], rows: Iterator[list[str]]) -> None:
    """Write rows of cells under their names."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    member.write("\ufeff".encode())
    writer.writerow(header)
    for row in rows:
        writer.writerow(row)
        if text.tell() > 1 << 16:
            _move(text, member)
    _move(text, member)


def read_rows(
    archive: ArchiveReader, tables: Mapping[str, sa.Table], form: Form
) -> Iterator[ReadRow]:
    """All rows of an archive in the order in which they were written.

    Raises
    ------
    Refusal
        If a line is none that was written by this service; it names member, line and rule.
    """
    if form is Form.JSON:
        yield from _read_json(archive, tables)
        return
    for name, table in tables.items():
        if name in archive.manifest.rows:
            yield from _read_csv(archive, table)


def _json_line(row: Mapping[str, Any]) -> str:
    return json.dumps({name: json_value(value) for name, value in row.items()}, ensure_ascii=False)


def _rows_of_cells(connection: sa.Connection, table: sa.Table) -> Iterator[list[str]]:
    for batch in batches(connection, table):
        for row in batch:
            yield row_cells(table, row)


def _move(text: io.StringIO, member: MemberWriter) -> None:
    member.write(text.getvalue().encode())
    text.seek(0)
    text.truncate()


def _read_json(archive: ArchiveReader, tables: Mapping[str, sa.Table]) -> Iterator[ReadRow]:
    table: sa.Table | None = None
    with archive.file(LOG_JSON) as file:
        for number, line in enumerate(_lines(file, LOG_JSON), start=1):
            if table is not None and line.startswith("{"):
                values = _parsed(line.removesuffix(","), number)
                yield ReadRow(
                    table.name, LOG_JSON, number, _row(table, values, from_json, (LOG_JSON, number))
                )
            elif table is not None and line in ("]", "],"):
                table = None
            elif table is None and line.endswith(": ["):
                table = _table(tables, line.removesuffix(": [").strip('"'), LOG_JSON)
            elif line != (_FIRST if number == 1 else _LAST):
                raise Refusal(LOG_JSON, f"line {number} is none that this service writes")


def _read_csv(archive: ArchiveReader, table: sa.Table) -> Iterator[ReadRow]:
    member = csv_member(table.name)
    if not archive.has(member):
        raise Refusal(member, "must be in the archive, but is not")
    with archive.file(member) as file:
        text = io.TextIOWrapper(file, encoding="utf-8-sig", newline="")
        reader = csv.reader(text, strict=True)
        # A cell may hold a whole record, far above the module's limit of 131072 characters.
        csv.field_size_limit(_LONGEST_LINE)
        try:
            header = next(reader, [])
            for cells in reader:
                where = (member, reader.line_num)
                values = dict(zip(header, cells, strict=True))
                yield ReadRow(table.name, *where, _row(table, values, from_cell, where))
        except (csv.Error, UnicodeDecodeError, ValueError) as error:
            raise Refusal(member, f"line {reader.line_num}: {error}") from error


def _lines(file: IO[bytes], member: str) -> Iterator[str]:
    while line := file.readline(_LONGEST_LINE):
        if not line.endswith(b"\n"):
            raise Refusal(member, f"must have lines of at most {_LONGEST_LINE} bytes, to the end")
        try:
            yield line[:-1].decode()
        except UnicodeDecodeError as error:
            raise Refusal(member, f"must be UTF-8: {error}") from error


def _parsed(line: str, number: int) -> dict[str, Any]:
    try:
        values = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise Refusal(LOG_JSON, f"line {number} must be JSON: {error}") from error
    if not isinstance(values, dict):
        raise Refusal(LOG_JSON, f"line {number} must be an object")
    return values


def _table(tables: Mapping[str, sa.Table], name: str, member: str) -> sa.Table:
    table = tables.get(name)
    if table is None:
        raise Refusal(member, f"must hold tables of the log alone, got {name!r:.80}")
    return table


def _row(
    table: sa.Table,
    values: Mapping[str, Any],
    read: Callable[[sa.Column[Any], Any], object],
    where: tuple[str, int],
) -> dict[str, Any]:
    member, line = where
    expected = {column.name for column in table.c}
    if set(values) != expected:
        wrong = ", ".join(sorted(set(values) ^ expected))
        raise Refusal(member, f"line {line} of {table.name} lacks or adds columns: {wrong:.200}")
    try:
        return {column.name: read(column, values[column.name]) for column in table.c}
    except ValueError as error:
        raise Refusal(member, f"line {line} of {table.name}: {error}") from error
