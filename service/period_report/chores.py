"""Chores of a period: cleaning and sanitising, feeding out, and how much of the rest."""

import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import CHORE
from service.period_report.names import Names
from service.period_report.period import Period
from service.room.feed_account import weight_in
from service.room.room_log import Row

_CLEANING: Final = re.compile(r"wash|clean|saniti|disinfect|rinse|bleach|scrub", re.IGNORECASE)
_FEEDING: Final = re.compile(r"\b(fed|feed|feeds|feeding)\b", re.IGNORECASE)
# Seed and sprouts are washed and rinsed too, which cleans nothing of the room; their gear does.
_GROWN: Final = re.compile(
    r"\b(seeds?|seedlings?|grains?|sprouts?|barley|wheat|oats?|rye|maize|corn)\b", re.IGNORECASE
)
_GEAR: Final = re.compile(
    r"tray|bucket|tub|\bbins?\b|tank|gutter|drain|shel[fv]|rack|sieve|floor|wall|lid|pump|tool"
    r"|knife|knives|hose|pipe|scoop|room",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class DoneChore:
    """A chore that was done in the period.

    Parameters
    ----------
    done_at : aware datetime
    by : str
    kind, title, place : str
    details : sequence of (str, object)
        Such as product, amount, contact_minutes, rinsed, as the log names them and in its units;
        empty: not recorded.
    note : str or None
    """

    done_at: datetime
    by: str
    kind: str
    title: str
    place: str
    details: tuple[tuple[str, object], ...]
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

    @property
    def fed_g(self) -> float:
        """Weight fed out, as far as it was written."""
        return sum(weight_in(dict(one.details)) or 0.0 for one in self.feeding)

    @property
    def left_over_g(self) -> float:
        """Of that, what the animals left."""
        return sum(weight_in(dict(one.details), "refusals_g") or 0.0 for one in self.feeding)

    @property
    def fed_not_weighed(self) -> int:
        """Feedings without a weight."""
        return sum(weight_in(dict(one.details)) is None for one in self.feeding)


def chores_of(connection: sa.Connection, period: Period, names: Names) -> Chores:
    """What was done in a period, and what was not."""
    now = current(CHORE)
    done = sa.and_(now.c.done_at >= period.start, now.c.done_at < period.end)
    statement = sa.select(now).where(done).order_by(now.c.done_at, now.c.id)
    uses: dict[str, list[Row]] = {"cleaning": [], "feeding": [], "other": []}
    for row in connection.execute(statement).mappings():
        uses[_use(row["kind"], row["title"])].append(row)
    planned = sa.and_(now.c.planned_for >= period.start, now.c.planned_for < period.end)
    missed = sa.select(sa.func.count()).select_from(now).where(planned, now.c.done_at.is_(None))
    return Chores(
        cleaning=tuple(_done(row, names) for row in uses["cleaning"]),
        feeding=tuple(_done(row, names) for row in uses["feeding"]),
        others=dict(sorted(Counter(row["kind"] for row in uses["other"]).items())),
        not_done=connection.execute(missed).scalar_one(),
    )


def _use(kind: str, title: str) -> str:
    """What a chore is by its kind; only where that says nothing, by the words of its title."""
    said = title if kind == "other" else kind
    if _CLEANING.search(said):
        of_seed = kind == "other" and _GROWN.search(said) and not _GEAR.search(said)
        return "other" if of_seed else "cleaning"
    return "feeding" if _FEEDING.search(said) else "other"


def _done(row: Row, names: Names) -> DoneChore:
    return DoneChore(
        done_at=row["done_at"],
        by=names.person(row["done_by"] if row["done_by"] is not None else row["entered_by"]),
        kind=row["kind"],
        title=row["title"],
        place=names.place(row["tray_id"], row["shelf_id"]),
        details=named_details(row["details"], names.lot),
        note=row["note"],
    )


def named_details(
    details: Mapping[str, object] | None, lot: Callable[[int], str]
) -> tuple[tuple[str, object], ...]:
    """What was written down with a chore, with the name of a lot in the place of its id."""
    return tuple(
        ("lot", lot(value)) if name == "lot_id" and isinstance(value, int) else (name, value)
        for name, value in (details or {}).items()
    )
