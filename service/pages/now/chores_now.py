"""Chores on the first page: those left today, those planned for later, those done today."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.pages.chores.chore_words import KINDS, details_words
from service.pages.words import Say
from service.period_report.chores import named_details
from service.period_report.names import Names, names_of
from service.room.chore_log import planned_or_done_since
from service.room.room_log import Row


@dataclass(frozen=True)
class ChoreSaid:
    """A chore in words; `kind`, `where` and `details` are empty where nothing is said."""

    id: int
    title: str
    kind: str
    where: str
    details: str
    planned_for: datetime | None
    done_at: datetime | None
    by: str

    @property
    def more(self) -> str:
        """Kind, place and what was written down with it."""
        return ", ".join(filter(None, (self.kind, self.where, self.details)))


@dataclass(frozen=True)
class ChoresNow:
    """What is left, planned for another day, and done since the day began."""

    left: tuple[ChoreSaid, ...] = ()
    later: tuple[ChoreSaid, ...] = ()
    done: tuple[ChoreSaid, ...] = ()


def chores_now(connection: sa.Connection, say: Say) -> ChoresNow:
    """All three, each in the order of time."""
    rows = planned_or_done_since(connection, say.day_ends - timedelta(days=1))
    if not rows:
        return ChoresNow()
    names = names_of(connection)

    def told(some: Iterable[Row]) -> tuple[ChoreSaid, ...]:
        return tuple(chore_said(row, names, say) for row in some)

    open_rows = [row for row in rows if row["done_at"] is None]

    def is_later(row: Row) -> bool:
        return row["planned_for"] is not None and row["planned_for"] >= say.day_ends

    return ChoresNow(
        left=told(row for row in open_rows if not is_later(row)),
        later=told(row for row in open_rows if is_later(row)),
        done=told(row for row in rows if row["done_at"] is not None),
    )


def chore_said(row: Row, names: Names, say: Say) -> ChoreSaid:
    """One row of the log in words."""
    nowhere = row["tray_id"] is None and row["shelf_id"] is None
    return ChoreSaid(
        id=row["id"],
        title=row["title"],
        kind="" if row["kind"] == "other" else KINDS.get(row["kind"], row["kind"]).lower(),
        where="" if nowhere else names.place(row["tray_id"], row["shelf_id"]),
        details=details_words(named_details(row["details"], names.lot), say),
        planned_for=row["planned_for"],
        done_at=row["done_at"],
        by="" if row["done_at"] is None else names.person(row["done_by"]),
    )
