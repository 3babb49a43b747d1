"""Corrections that concern a period: what was said first, what after, by whom, when and why."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from service.log.entries import ENTRY_COLUMNS
from service.log.schema import CAPTURE, CHORE, HARVEST, READING, RUN, SEED_LOT
from service.models.runs import Seed
from service.period_report.names import Names
from service.period_report.period import Period
from service.period_report.runs import parts_of
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_log import seed_of_entries

# Each with the moments by which it belongs to a period.
_MOMENTS: Final = (
    (RUN, ("spread_at", "soaked_at")),
    (HARVEST, ("harvested_at",)),
    (READING, ("read_at",)),
    (CHORE, ("planned_for", "done_at")),
    (CAPTURE, ("taken_at",)),
)
_WORDS: Final = {
    "run": "Run",
    "harvest": "Harvest",
    "reading": "Reading",
    "chore": "Chore",
    "capture": "Photo",
    "seed_lot": "Lot",
}


@dataclass(frozen=True)
class NamedSeed:
    """Seed of a run: each lot's name with its weight in grams, None where it was not weighed."""

    parts: tuple[tuple[str, float | None], ...]

    def __str__(self) -> str:
        return "; ".join(
            lot if grams is None else f"{lot} {grams:g} g" for lot, grams in self.parts
        )


@dataclass(frozen=True)
class ChangedValue:
    """One value before and after as the log names it, in its units; None: not recorded."""

    name: str
    before: object
    after: object


@dataclass(frozen=True)
class Correction:
    """A row that stands beside another in the log.

    Parameters
    ----------
    what : str
        Such as ``"Run of tray 3"``.
    by : str
    at : aware datetime
    why : str or None
    withdrawn, restored : bool
        It says that the thing never was; that it was after all.
    changed : sequence of ChangedValue
    """

    what: str
    by: str
    at: datetime
    why: str | None
    withdrawn: bool
    restored: bool
    changed: tuple[ChangedValue, ...]


def corrections_of(
    connection: sa.Connection, period: Period, names: Names, *, runs: Collection[int]
) -> tuple[Correction, ...]:
    """Corrections of runs, their harvests, readings, chores and photos of a period, and of lots.

    Parameters
    ----------
    connection : Connection
    period : Period
    names : Names
    runs : collection of int
        Ids of the runs that lie in the period.
    """
    known = names, run_calendar(connection).by_id
    found: list[Correction] = []
    for table, moments in _MOMENTS:
        corrected = _corrected(connection, table, moments, period)
        if table is RUN:
            corrected |= set(runs) & _corrected_at_all(connection, RUN)
        found += _corrections(connection, table, corrected, known)
    lots = _corrected_at_all(connection, SEED_LOT)
    found += _corrections(connection, SEED_LOT, lots, known)
    return tuple(sorted(found, key=lambda one: (one.at, one.what)))


def _corrected(
    connection: sa.Connection, table: sa.Table, moments: tuple[str, ...], period: Period
) -> set[int]:
    """Corrected things of which any row, the newest or one before, lies in the period."""
    things: set[int] = set()
    for part in parts_of(sorted(_corrected_at_all(connection, table))):
        thing = sa.func.coalesce(table.c.original_id, table.c.id)
        within = [
            sa.and_(table.c[name] >= period.start, table.c[name] < period.end) for name in moments
        ]
        statement = sa.select(thing).where(
            sa.or_(table.c.id.in_(part), table.c.original_id.in_(part)), sa.or_(*within)
        )
        things |= set(connection.execute(statement).scalars())
    return things


def _corrected_at_all(connection: sa.Connection, table: sa.Table) -> set[int]:
    corrected = sa.select(table.c.original_id).where(table.c.original_id.is_not(None)).distinct()
    return set(connection.execute(corrected).scalars())


def _corrections(
    connection: sa.Connection,
    table: sa.Table,
    things: Collection[int],
    known: tuple[Names, Mapping[int, RunSpan]],
) -> Iterator[Correction]:
    for part in parts_of(sorted(things)):
        statement = (
            sa.select(table)
            .where(sa.or_(table.c.id.in_(part), table.c.original_id.in_(part)))
            .order_by(table.c.id)
        )
        rows = {row["id"]: dict(row) for row in connection.execute(statement).mappings()}
        if table is RUN:
            seed = seed_of_entries(connection, list(rows))
            for entry_id, row in rows.items():
                row["seed"] = _named_seed(seed.get(entry_id, []), known[0])
        for row in rows.values():
            before = rows.get(row["replaces_id"])
            if before is None:
                continue
            found = _correction(table, before, row, known)
            told = found.changed or found.withdrawn or found.restored
            if told or not _is_ticked_off(table, before, row):
                yield found


def _correction(
    table: sa.Table,
    before: Mapping[str, Any],
    row: Mapping[str, Any],
    known: tuple[Names, Mapping[int, RunSpan]],
) -> Correction:
    names, spans = known
    ticked = _is_ticked_off(table, before, row)
    own = [name for name in row if name not in ("id", *ENTRY_COLUMNS)]
    changed = [
        ChangedValue(
            name, _said(name, before[name], names, spans), _said(name, row[name], names, spans)
        )
        for name in own
        if before[name] != row[name] and not (ticked and before[name] in (None, "other"))
    ]
    return Correction(
        what=_what(table, row, names, spans),
        by=names.person(row["entered_by"]),
        at=row["entered_at"],
        why=row["why"],
        withdrawn=bool(row["withdrawn"]),
        restored=bool(before["withdrawn"]) and not row["withdrawn"],
        changed=tuple(changed),
    )


def _is_ticked_off(table: sa.Table, before: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    """Whether a chore is said to be done for the first time: what is said with it is new."""
    return table is CHORE and before["done_at"] is None and row["done_at"] is not None


def _what(
    table: sa.Table, row: Mapping[str, Any], names: Names, spans: Mapping[int, RunSpan]
) -> str:
    word = _WORDS[table.name]
    if table is RUN:
        return f"{word} of tray {names.trays.get(row['tray_id'], '?')}"
    if table is HARVEST:
        run = spans.get(row["run_id"])
        return f"{word} of tray {'?' if run is None else run.number}"
    if table is SEED_LOT:
        return f"{word} {row['name']}"
    if table is CHORE:
        return f"{word} “{row['title']}”"
    if table is CAPTURE:
        return f"{word} {row['photo_id']}"
    return f"{word} of {names.place(None, row['shelf_id'])}"


def _said(name: str, value: object, names: Names, spans: Mapping[int, RunSpan]) -> object:
    if value is None or not isinstance(value, int) or isinstance(value, bool):
        return value
    if name == "tray_id":
        return names.trays.get(value, value)
    if name == "shelf_id":
        return names.shelves.get(value, value)
    if name == "run_id":
        run = spans.get(value)
        return value if run is None else f"tray {run.number}"
    return names.person(value) if name == "done_by" else value


def _named_seed(seed: list[Seed], names: Names) -> NamedSeed | None:
    parts = tuple((names.lot(part.lot_id), part.weight_g) for part in seed)
    return NamedSeed(parts) if parts else None
