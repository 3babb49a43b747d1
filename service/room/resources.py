"""Things of the log that are entered, listed, corrected and withdrawn all alike.

A `Resource` says which table, which models, and which rules hold; `service.api.things` makes its
paths. What is special (a run's seed, a photo's bytes) has modules of its own.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service.log.columns import METADATA
from service.log.entries import (
    Entrant,
    before_last,
    correct,
    current,
    enter,
    history,
    take_back,
    withdraw,
)
from service.log.refusals import Conflict, NotFound, Refusal
from service.log.schema import RUN, RUN_SEED, SEED_LOT
from service.log.told_moments import FURTHEST_AHEAD, refuse_ahead
from service.models.base import Change, Entered, Model
from service.models.room import History, HistoryRow
from service.room.room_log import Row, one, the_room, told_moment

Values = dict[str, Any]
# Called with the values about to be entered and the thing's id, None for a new one.
Check = Callable[[sa.Connection, Values, int | None], None]


# What a change says, as columns of the thing as it was before.
Meant = Callable[[sa.Connection, Row, Values], Values]


def _as_said(_connection: sa.Connection, _before: Row, given: Values) -> Values:
    return given


def _no_rule(_connection: sa.Connection, _values: Values, _thing_id: int | None) -> None:
    pass


@dataclass(frozen=True)
class Resource:
    """One kind of thing.

    Parameters
    ----------
    table : Table
        With entry columns.
    new, change, out : model classes
    newest_by : str, optional
        Column by which a list is ordered, latest first; else by id.
    defaults : mapping
        Columns that are never asked for, and what they are.
    now_if_missing : str, optional
        Moment that is taken as now where a new thing does not say.
    happened : collection of str
        Columns of moments of what happened.
    furthest : timedelta
        How far ahead of the service's clock these may lie, in whole days.
    said_by : mapping
        Columns of moments, each with the column of the person who gives it.
    meant : callable
        Turns what a change says in other words than the table's into its columns.
    check : callable
        Raises a `Refusal` where a rule of the log is broken.
    """

    table: sa.Table
    new: type[Model]
    change: type[Change]
    out: type[Entered]
    newest_by: str | None = None
    now_if_missing: str | None = None
    defaults: Mapping[str, Any] = field(default_factory=dict)
    happened: Collection[str] = ()
    furthest: timedelta = FURTHEST_AHEAD
    said_by: Mapping[str, str] = field(default_factory=dict)
    meant: Meant = _as_said
    check: Check = _no_rule

    def add(
        self,
        connection: sa.Connection,
        new: Model,
        by: Entrant,
        *,
        belongs_to: Mapping[str, int] | None = None,
    ) -> Entered:
        """Enter a new thing."""
        values = {**self.defaults, **_plain(connection, new.model_dump()), **(belongs_to or {})}
        if self.now_if_missing is not None and values[self.now_if_missing] is None:
            values[self.now_if_missing] = by.at
        values |= self._sayers(values, by)
        self._refuse_ahead(values, by.at)
        self._check(connection, values, None)
        return self.get(connection, enter(connection, self.table, values, by))

    def get(self, connection: sa.Connection, thing_id: int) -> Entered:
        """One thing as it holds now. Raises NotFound."""
        return self._out(one(connection, self.table, thing_id))

    def all(
        self,
        connection: sa.Connection,
        *,
        limit: int,
        offset: int = 0,
        where: Mapping[str, Any] | None = None,
    ) -> list[Entered]:
        """Things as they hold now."""
        now = current(self.table)
        statement = sa.select(now).limit(limit).offset(offset)
        for name, value in (where or {}).items():
            statement = statement.where(now.c[name] == value)
        order = [now.c.id] if self.newest_by is None else [now.c[self.newest_by].desc(), now.c.id]
        rows = connection.execute(statement.order_by(*order)).mappings()
        return [self._out(row) for row in rows]

    def correct(
        self, connection: sa.Connection, thing_id: int, change: Change, by: Entrant
    ) -> Entered:
        """Correct a thing. Raises NotFound and Conflict."""
        before = one(connection, self.table, thing_id)
        given = _plain(connection, change.model_dump(exclude_unset=True, exclude={"why"}))
        required = [name for name, value in given.items() if value is None and self._required(name)]
        if required:
            raise Refusal(required[0], "must have a value, got null")
        given = self.meant(connection, before, given)
        given |= self._sayers(given, by)
        self._refuse_ahead(given, by.at)
        values = {name: before[name] for name in self._own_columns()} | given
        self._check(connection, values, thing_id, before=dict(before))
        correct(connection, self.table, thing_id, given, by=by, why=change.why)
        return self.get(connection, thing_id)

    def withdraw(
        self, connection: sa.Connection, thing_id: int, *, by: Entrant, why: str | None
    ) -> None:
        """Say that a thing never was. Raises NotFound and, while others refer to it, Conflict."""
        one(connection, self.table, thing_id)
        self._check_unused(connection, thing_id)
        withdraw(connection, self.table, thing_id, by=by, why=why)

    def take_back(self, connection: sa.Connection, thing_id: int, by: Entrant) -> int:
        """Undo what was said last of a thing; returns the id of the new row.

        Raises NotFound and, where others refer to it or what was before no longer fits, Refusal.
        """
        rows = history(connection, self.table, thing_id)
        before = before_last(rows)
        if before is None or before["withdrawn"]:
            self._check_unused(connection, thing_id)
        else:
            stood = None if rows[-1]["withdrawn"] else rows[-1]
            values = {name: before[name] for name in self._own_columns()}
            self._check(connection, values, thing_id, before=stood)
        return take_back(connection, self.table, thing_id, by=by)

    def history(self, connection: sa.Connection, thing_id: int) -> History:
        """All that was ever said of a thing. Raises NotFound."""
        rows = history(connection, self.table, thing_id)
        return History(entries=[self._history_row(row) for row in rows])

    def _history_row(self, row: Mapping[str, Any]) -> HistoryRow:
        return HistoryRow(
            entry_id=row["id"],
            replaces_entry_id=row["replaces_id"],
            entered_at=row["entered_at"],
            entered_by=row["entered_by"],
            why=row["why"],
            withdrawn=row["withdrawn"],
            values={name: row[name] for name in self._own_columns()},
        )

    def _out(self, row: Row) -> Entered:
        return self.out.model_validate({name: row[name] for name in self.out.model_fields})

    def _own_columns(self) -> list[str]:
        return [column.name for column in self.table.c if column.name not in _ENTRY]

    def _sayers(self, values: Values, by: Entrant) -> Values:
        return {
            person: None if values[moment] is None else by.person_id
            for moment, person in self.said_by.items()
            if moment in values
        }

    def _check_unused(self, connection: sa.Connection, thing_id: int) -> None:
        users = sorted(users_of(connection, self.table, thing_id))
        if users:
            raise Conflict(
                self.table.name, f"{thing_id} is still referred to by {', '.join(users)}"
            )

    def _refuse_ahead(self, values: Values, now: datetime) -> None:
        for name in self.happened:
            if values.get(name) is not None:
                refuse_ahead(name, values[name], now, furthest=self.furthest)

    def _required(self, name: str) -> bool:
        return name in self.table.c and not self.table.c[name].nullable

    def _check(
        self,
        connection: sa.Connection,
        values: Values,
        thing_id: int | None,
        *,
        before: Mapping[str, Any] | None = None,
    ) -> None:
        check_references(connection, self.table, values, before=before)
        self.check(connection, values, thing_id)


_ENTRY = ("id", "original_id", "replaces_id", "entered_at", "entered_by", "why", "withdrawn")


def check_references(
    connection: sa.Connection,
    table: sa.Table,
    values: Mapping[str, Any],
    *,
    before: Mapping[str, Any] | None = None,
) -> None:
    """Refuse values of a row that refer to what is not in the log. Raises NotFound.

    What a thing referred to `before` may have been withdrawn in an older log: the rest of it can
    be put right still.
    """
    for column in table.c:
        value = values.get(column.name)
        if value is None or column.name in _ENTRY:
            continue
        if before is not None and before[column.name] == value:
            continue
        for key in column.foreign_keys:
            _must_hold(connection, column.name, key.column.table, value)


def _must_hold(connection: sa.Connection, field_name: str, table: sa.Table, key: int) -> None:
    if "replaces_id" not in table.c:
        return
    try:
        one(connection, table, key)
    except NotFound as error:
        raise NotFound(field_name, key) from error


def users_of(connection: sa.Connection, table: sa.Table, thing_id: int) -> set[str]:
    """Names of tables whose present rows refer to a thing."""
    users = {RUN.name} if table is SEED_LOT and _is_sown(connection, thing_id) else set()
    for other in METADATA.sorted_tables:
        if "replaces_id" not in other.c:
            continue
        now = current(other)
        for column in other.c:
            refers = any(key.column.table is table for key in column.foreign_keys)
            if not refers or column.name in _ENTRY:
                continue
            statement = sa.select(now.c.id).where(now.c[column.name] == thing_id).limit(1)
            if connection.execute(statement).first() is not None:
                users.add(other.name)
    return users


def _is_sown(connection: sa.Connection, lot_id: int) -> bool:
    """Whether a present run has seed of a lot; its seed belongs to the run's entry."""
    now = current(RUN)
    statement = (
        sa.select(RUN_SEED.c.lot_id)
        .join(now, now.c.entry_id == RUN_SEED.c.run_entry_id)
        .where(RUN_SEED.c.lot_id == lot_id)
        .limit(1)
    )
    return connection.execute(statement).first() is not None


def _plain(connection: sa.Connection, values: Values) -> Values:
    """Values as columns take them: moments in UTC, enumerations as text."""
    room = the_room(connection)
    return {
        name: told_moment(name, value, room)
        if isinstance(value, datetime)
        else (str(value) if isinstance(value, str) else value)
        for name, value in values.items()
    }
