"""What follows from the log's rows, kept from one answer to the next.

Rows are only ever added (`service.log.entries`) and writers come one by one, so the largest number
in each table says which rows a reader sees; a log takes the place of another only while nobody
serves it (`service.log.server_lock.not_served`). What was worked out from them holds until there is
a larger one; then only what the new rows concern is worked out again.
"""

import threading
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Generic, TypeVar
from weakref import WeakKeyDictionary

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import ROOM

Kept = TypeVar("Kept")
Value = TypeVar("Value")
# With more trays than that concerned, reading all is quicker than reading theirs.
MANY_TRAYS = 50


@dataclass(frozen=True)
class Seen:
    """Which rows of a log a reader sees.

    Parameters
    ----------
    log : datetime or None
        When the log was begun; a log brought in the place of another has its own.
    last : mapping of table name to its largest id
    """

    log: datetime | None
    last: Mapping[str, int]

    def follows(self, before: "Seen") -> bool:
        """Whether these are the same rows or more."""
        return self.log == before.log and all(
            before.last[name] <= last for name, last in self.last.items()
        )


Renew = Callable[[sa.Connection, tuple[Kept, Seen] | None], Kept]


class LogMemory(Generic[Kept]):
    """One thing that follows from some tables, kept for each log; safe to share between threads.

    Parameters
    ----------
    tables : sequence of Table
        All that it follows from; only tables whose rows are never changed or deleted.
    renew : callable
        ``renew(connection, before)`` works it out: anew where `before` is None, else from what
        was kept and the rows seen then, which it must leave as it was.
    """

    def __init__(self, tables: Sequence[sa.Table], renew: Renew[Kept]) -> None:
        self._renew = renew
        self._names = [table.name for table in tables]
        _COUNTED.update({table.name: table for table in tables})
        self._kept: WeakKeyDictionary[sa.Pool, tuple[Kept, Seen]] = WeakKeyDictionary()
        self._turn = threading.RLock()

    def of(self, connection: sa.Connection) -> Kept:
        """What follows from the rows that this connection sees."""
        log, last = _rows_seen(connection, self._names)
        seen = Seen(log, {name: last[name] for name in self._names})
        pool = connection.engine.pool
        with self._turn:
            before, older = self._kept.get(pool), False
            if before is not None and before[1] == seen:
                return before[0]
            if before is not None and not seen.follows(before[1]):
                # A reader that began before the last entry, or another log.
                older = before[1].log == seen.log
                before = None
            found = self._renew(connection, before)
            # What a writer sees may still be taken back, and its numbers given out again.
            if not older and not connection.get_execution_options().get("trayvision_writes"):
                self._kept[pool] = found, seen
            return found


# Tables that anything follows from, and what the readers under way see of them.
_COUNTED: dict[str, sa.Table] = {}
_READERS: WeakKeyDictionary[sa.Transaction, tuple[datetime | None, Mapping[str, int]]]
_READERS = WeakKeyDictionary()


def _rows_seen(
    connection: sa.Connection, names: Sequence[str]
) -> tuple[datetime | None, Mapping[str, int]]:
    """When the log was begun, and the largest id in tables: asked once for each reader."""
    reader = connection.get_transaction()
    if reader is None or connection.get_execution_options().get("trayvision_writes"):
        return _read_seen(connection, tuple(names))
    seen = _READERS.get(reader)
    if seen is None or not seen[1].keys() >= set(names):
        seen = _READERS[reader] = _read_seen(connection, tuple(_COUNTED))
    return seen


def _read_seen(
    connection: sa.Connection, names: tuple[str, ...]
) -> tuple[datetime | None, Mapping[str, int]]:
    log, *last = connection.execute(_seen_statement(names)).one()
    return log, dict(zip(names, last, strict=True))


@lru_cache(maxsize=64)
def _seen_statement(names: tuple[str, ...]) -> sa.Select[Any]:
    log = sa.select(ROOM.c.entered_at).order_by(ROOM.c.id).limit(1).scalar_subquery()
    columns = [
        sa.select(sa.func.coalesce(sa.func.max(_COUNTED[name].c.id), 0)).scalar_subquery()
        for name in names
    ]
    return sa.select(log, *columns)


TrayRows = Mapping[int, tuple[sa.RowMapping, ...]]


def last_until(rows: Sequence[sa.RowMapping], moment: str, at: datetime) -> sa.RowMapping | None:
    """The last of some rows in order of a moment up to `at`, None where all are later."""
    # Mostly all are: what holds now is asked for.
    if rows and rows[-1][moment] <= at:
        return rows[-1]
    count = bisect_right(rows, at, key=lambda row: row[moment])
    return rows[count - 1] if count else None


def since_last(rows: Sequence[sa.RowMapping], moment: str, at: datetime) -> Sequence[sa.RowMapping]:
    """The last of some rows in order of a moment up to `at`, and all that come later."""
    count = bisect_right(rows, at, key=lambda row: row[moment])
    return rows[max(0, count - 1) :]


def rows_by_tray(table: sa.Table, moment: str) -> LogMemory[TrayRows]:
    """What holds now of a table with a tray in each row, by tray id and in order of a moment."""

    def load(
        connection: sa.Connection, trays: Iterable[int] | None
    ) -> dict[int, list[sa.RowMapping]]:
        now = current(table)
        statement = sa.select(now).order_by(now.c[moment], now.c.entry_id)
        if trays is not None:
            statement = statement.where(now.c.tray_id.in_(list(trays)))
        found: dict[int, list[sa.RowMapping]] = {}
        for row in connection.execute(statement).mappings():
            found.setdefault(row["tray_id"], []).append(row)
        return found

    def renew(connection: sa.Connection, before: tuple[TrayRows, Seen] | None) -> TrayRows:
        if before is None:
            return {tray: tuple(rows) for tray, rows in load(connection, None).items()}
        kept, seen = before
        trays: set[int] = news(connection, table, seen, table.c.tray_id)
        fresh = load(connection, trays)
        return {**kept, **{tray: tuple(fresh.get(tray, ())) for tray in trays}}

    return LogMemory((table,), renew)


def news(
    connection: sa.Connection, table: sa.Table, seen: Seen, column: sa.ColumnElement[Value]
) -> set[Value]:
    """Values of the rows beyond those seen, and of the rows that these stand beside."""
    new = table.c.id > seen.last[table.name]
    replaced = sa.select(table.c.replaces_id).where(new, table.c.replaces_id.is_not(None))
    values = sa.union(
        sa.select(column).where(new), sa.select(column).where(table.c.id.in_(replaced))
    )
    return {value for (value,) in connection.execute(values)}
