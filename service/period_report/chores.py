"""Chores of a period: cleaning and sanitising, feeding out, and how much of the rest."""

import re
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from service.entries import current
from service.period_report.names import Names
from service.period_report.period import Period
from service.room_log import Row
from service.schema import CHORE

_CLEANING: Final = re.compile(r"wash|clean|saniti|disinfect|rinse|bleach|scrub", re.IGNORECASE)
_FEEDING: Final = re.compile(r"\bfeed", re.IGNORECASE)


@dataclass(frozen=True)
class DoneChore:
    """A chore that was done in the period.

    Parameters
    ----------
    done_at : aware datetime
    by : str
    kind, title, place : str
    details : sequence of (str, str)
        Such as what, dose, contact time, rinsed; empty: not recorded.
    note : str or None
    """

    done_at: datetime
    by: str
    kind: str
    title: str
    place: str
    details: tuple[tuple[str, str], ...]
    note: str | None


@dataclass(frozen=True)
class Chores:
    """Chores of a period.

    Parameters
    ----------
    cleaning, feeding : sequence of DoneChore
    others : mapping of kind to how many were done
    not_done : int
        Planned for the period and never marked as done.
    """

    cleaning: tuple[DoneChore, ...]
    feeding: tuple[DoneChore, ...]
    others: dict[str, int]
    not_done: int


def chores_of(connection: sa.Connection, period: Period, names: Names) -> Chores:
    """What was done in a period, and what was not."""
    now = current(CHORE)
    done = sa.and_(now.c.done_at >= period.start, now.c.done_at < period.end)
    statement = sa.select(now).where(done).order_by(now.c.done_at, now.c.id)
    rows = list(connection.execute(statement).mappings())
    cleaning = [row for row in rows if _is(_CLEANING, row)]
    feeding = [row for row in rows if _is(_FEEDING, row) and not _is(_CLEANING, row)]
    others = [row for row in rows if not _is(_CLEANING, row) and not _is(_FEEDING, row)]
    planned = sa.and_(now.c.planned_for >= period.start, now.c.planned_for < period.end)
    missed = sa.select(sa.func.count()).select_from(now).where(planned, now.c.done_at.is_(None))
    return Chores(
        cleaning=tuple(_done(row, names) for row in cleaning),
        feeding=tuple(_done(row, names) for row in feeding),
        others=dict(sorted(Counter(row["kind"] for row in others).items())),
        not_done=connection.execute(missed).scalar_one(),
    )


def _is(words: re.Pattern[str], row: Row) -> bool:
    return words.search(f"{row['kind']} {row['title']}") is not None


def _done(row: Row, names: Names) -> DoneChore:
    details: dict[str, Any] = row["details"] or {}
    return DoneChore(
        done_at=row["done_at"],
        by=names.person(row["done_by"] if row["done_by"] is not None else row["entered_by"]),
        kind=row["kind"],
        title=row["title"],
        place=names.place(row["tray_id"], row["shelf_id"]),
        details=tuple((str(name), str(value)) for name, value in details.items()),
        note=row["note"],
    )
