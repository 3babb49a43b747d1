"""Nothing is overwritten: how a row of the log is entered, corrected and withdrawn.

Every table of the log carries the same entry columns. What is entered first is the *original*
and its id is the id of the thing for good: other tables and addresses refer to it alone. A
correction is a new row that carries all values again, names the original (`original_id`) and
the row it stands beside (`replaces_id`), and says who entered it, when and why. Withdrawing (an
undo) is a correction too, with `withdrawn` set, and can itself be corrected. What holds now is
the row that no other replaces. A row is replaced at most once (a unique index), so that two
people who correct the same row at the same time are told, and neither correction is lost.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from service.log.refusals import Conflict, NotFound

Values = Mapping[str, Any]
_UNDONE = "undone"
ENTRY_COLUMNS = ("original_id", "replaces_id", "entered_at", "entered_by", "why", "withdrawn")


@dataclass(frozen=True)
class Entrant:
    """Who enters something, and when.

    Parameters
    ----------
    at : aware datetime
    person_id : int or None
        None while nobody has to log in, and for what the service finds by itself.
    """

    at: datetime
    person_id: int | None = None


@lru_cache(maxsize=256)
def current(table: sa.Table, *, name: str | None = None) -> sa.Subquery:
    """What holds now: `id` is the thing's own, `entry_id` the row's, first entry's time kept."""
    later, first = table.alias(), table.alias()
    own = [column for column in table.c if column.name not in ("id", "original_id", "replaces_id")]
    thing = sa.func.coalesce(table.c.original_id, table.c.id)
    return (
        sa.select(
            thing.label("id"),
            table.c.id.label("entry_id"),
            first.c.entered_at.label("first_entered_at"),
            *own,
        )
        .join(first, first.c.id == thing)
        .where(
            ~sa.exists().where(later.c.replaces_id == table.c.id),
            table.c.withdrawn.is_(sa.false()),
        )
        .subquery(name or f"current_{table.name}")
    )


def enter(connection: sa.Connection, table: sa.Table, values: Values, by: Entrant) -> int:
    """Add an original row; returns its id."""
    row = {**values, "entered_at": by.at, "entered_by": by.person_id, "withdrawn": False}
    return _inserted(connection, table, row)


def correct(
    connection: sa.Connection,
    table: sa.Table,
    thing_id: int,
    values: Values,
    *,
    by: Entrant,
    why: str | None = None,
) -> int:
    """Put a correction beside what holds now; what `values` leaves out stays as it was.

    Returns
    -------
    int
        Id of the new row.

    Raises
    ------
    NotFound
        If there is no such thing.
    Conflict
        If another correction came in between.
    """
    return _replace(connection, table, thing_id, {**values, "withdrawn": False}, by, why)


def withdraw(
    connection: sa.Connection,
    table: sa.Table,
    thing_id: int,
    *,
    by: Entrant,
    why: str | None = None,
) -> int:
    """Say that a thing never was; it stays in its history. Raises like `correct`."""
    return _replace(connection, table, thing_id, {"withdrawn": True}, by, why)


def take_back(connection: sa.Connection, table: sa.Table, thing_id: int, *, by: Entrant) -> int:
    """Undo what was said last of a thing: an original is withdrawn, else what was before holds.

    Returns
    -------
    int
        Id of the new row.

    Raises
    ------
    NotFound
        If there is no such thing.
    Conflict
        If another correction came in between.
    """
    before = before_last(history(connection, table, thing_id))
    if before is None:
        return withdraw(connection, table, thing_id, by=by, why=_UNDONE)
    values = {name: value for name, value in before.items() if name not in ("id", *ENTRY_COLUMNS)}
    values["withdrawn"] = before["withdrawn"]
    return _replace(connection, table, thing_id, values, by, _UNDONE)


def before_last(rows: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """Of all rows of one thing the one that the last replaces, None where that is its original."""
    return next((row for row in rows if row["id"] == rows[-1]["replaces_id"]), None)


def history(connection: sa.Connection, table: sa.Table, thing_id: int) -> list[dict[str, Any]]:
    """All rows of one thing, original first.

    Raises
    ------
    NotFound
        If there is no such thing.
    """
    rows = connection.execute(
        sa.select(table)
        .where(sa.or_(table.c.id == thing_id, table.c.original_id == thing_id))
        .order_by(table.c.id)
    ).mappings()
    found = [dict(row) for row in rows]
    if not found or found[0]["original_id"] is not None:
        raise NotFound(table.name, thing_id)
    return found


def histories_of(
    connection: sa.Connection, table: sa.Table, column: str, value: object
) -> list[list[dict[str, Any]]]:
    """Things that ever held a value, each with all its rows: withdrawn too, by first entry."""
    thing = sa.func.coalesce(table.c.original_id, table.c.id)
    return _by_thing(connection, table, thing.in_(sa.select(thing).where(table.c[column] == value)))


def last_histories_of(
    connection: sa.Connection,
    table: sa.Table,
    column: str,
    value: object,
    *,
    skipped: int,
    most: int,
) -> list[list[dict[str, Any]]]:
    """The last `most` of the same before so many `skipped` ones, the last entered first."""
    holds, thing = table.c[column] == value, sa.func.coalesce(table.c.original_id, table.c.id)
    last = sa.select(thing).where(holds).group_by(thing).order_by(thing.desc())
    things = list(connection.execute(last.limit(most).offset(skipped)).scalars())
    return _by_thing(connection, table, holds & thing.in_(things))[::-1]


def histories_of_tray(
    connection: sa.Connection,
    table: sa.Table,
    tray_id: int,
    *,
    moment: str,
    since: datetime,
    until: datetime | None,
) -> list[list[dict[str, Any]]]:
    """Things that were ever said of a tray at a moment from `since` to before `until`."""
    inside = [table.c.tray_id == tray_id, table.c[moment] >= since]
    if until is not None:
        inside.append(table.c[moment] < until)
    thing = sa.func.coalesce(table.c.original_id, table.c.id)
    return _by_thing(connection, table, thing.in_(sa.select(thing).where(*inside)))


def _by_thing(
    connection: sa.Connection, table: sa.Table, condition: sa.ColumnElement[bool]
) -> list[list[dict[str, Any]]]:
    rows = connection.execute(sa.select(table).where(condition).order_by(table.c.id)).mappings()
    things: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        things.setdefault(row["original_id"] or row["id"], []).append(dict(row))
    return [things[thing_id] for thing_id in sorted(things)]


def counts(connection: sa.Connection, tables: Sequence[sa.Table]) -> dict[str, int]:
    """How many things of each table hold now, by its name; asked in one question."""
    counted = (
        sa.select(sa.func.count()).select_from(current(table)).scalar_subquery() for table in tables
    )
    numbers = connection.execute(sa.select(*counted)).one()
    return {table.name: number for table, number in zip(tables, numbers, strict=True)}


def _replace(
    connection: sa.Connection,
    table: sa.Table,
    thing_id: int,
    values: Values,
    by: Entrant,
    why: str | None,
) -> int:
    last = history(connection, table, thing_id)[-1]
    kept = {name: value for name, value in last.items() if name not in ("id", *ENTRY_COLUMNS)}
    row = {
        **kept,
        **values,
        "original_id": thing_id,
        "replaces_id": last["id"],
        "entered_at": by.at,
        "entered_by": by.person_id,
        "why": why,
    }
    try:
        return _inserted(connection, table, row)
    except IntegrityError as error:
        if "replaces_id" not in str(error.orig):
            raise
        raise Conflict(table.name, f"{thing_id} was corrected by someone else meanwhile") from error


def _inserted(connection: sa.Connection, table: sa.Table, row: Values) -> int:
    key = connection.execute(sa.insert(table).values(**row)).inserted_primary_key
    assert key is not None
    return int(key[0])
