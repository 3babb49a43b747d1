"""Yields and possible mould by shelf, lot, tray and month, as tables say them."""

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from service.flags.mould_record import Answers, MouldCount, count_mould
from service.pages.growth.pace_words import runs_words
from service.pages.words import MONTHS, Say
from service.runs.run_facts import RunFact
from service.runs.yields import LEAST_FOR_HALF, Yield, yields_by

Group = TypeVar("Group", bound=Hashable)


@dataclass(frozen=True)
class RecordRow:
    """One group of runs: its name, its page where it has one, and the cells of its row."""

    name: str
    address: str | None
    cells: tuple[str, ...]


@dataclass(frozen=True)
class RecordTable:
    """One table.

    Parameters
    ----------
    name : str
        What runs are grouped by, such as "Shelf".
    columns : tuple of str
    rows : tuple of RecordRow
    rest : str
        What is said of the groups that have no row.
    """

    name: str
    columns: tuple[str, ...]
    rows: tuple[RecordRow, ...]
    rest: str = ""


@dataclass(frozen=True)
class Grouping:
    """What runs are grouped by.

    Parameters
    ----------
    name : str
    groups : callable
        Gives the groups of a run.
    names : callable
        What a group is called, and the address of its page.
    order : callable
        Key by which groups are listed.
    """

    name: str
    groups: Callable[[RunFact], Iterable[Hashable]]
    names: Callable[[Hashable], tuple[str, str | None]]
    order: Callable[[Hashable], object]


def month_of(fact: RunFact, say: Say) -> tuple[int, int]:
    """Year and month in which a run was spread, on the room's clock."""
    local = say.local(fact.spread_at)
    return local.year, local.month


def month_name(month: tuple[int, int]) -> str:
    """Such as "March 2026"."""
    return f"{MONTHS[month[1] - 1]} {month[0]}"


def lasting_since(facts: Iterable[RunFact], since: datetime) -> list[RunFact]:
    """Runs that were not over by a moment."""
    return [fact for fact in facts if fact.ended_at is None or fact.ended_at >= since]


def yield_table(facts: Iterable[RunFact], by: Grouping) -> RecordTable:
    """Fresh weight for seed weight of harvested runs."""
    found = yields_by(facts, by.groups)
    rows = [
        RecordRow(*by.names(group), _yield_cells(found[group]))
        for group in sorted(found, key=by.order)  # type: ignore[arg-type]
        if found[group].weighed
    ]
    without = sum(one.harvested for one in found.values() if not one.weighed)
    rest = f"{runs_words(without).capitalize()} elsewhere without both weights." if without else ""
    return RecordTable(by.name, ("Fresh for 1 of seed", "Spread", "Weighed"), tuple(rows), rest)


def mould_table(facts: Iterable[RunFact], answers: Answers, by: Grouping) -> RecordTable:
    """Runs with possible mould, and what was answered; counts, never shares of a few."""
    found: Mapping[Hashable, MouldCount] = count_mould(facts, answers, by.groups)
    flagged = [group for group, count in found.items() if count.flagged]
    rows = [
        RecordRow(*by.names(group), _mould_cells(found[group]))
        for group in sorted(flagged, key=by.order)  # type: ignore[arg-type]
    ]
    others = [count for count in found.values() if not count.flagged]
    runs = sum(count.runs for count in others)
    rest = f"None noticed in {'the other ' if rows else ''}{runs_words(runs)}." if others else ""
    return RecordTable(by.name, ("Possible mould", "What people found"), tuple(rows), rest)


def _yield_cells(one: Yield) -> tuple[str, ...]:
    assert one.middle is not None and one.low is not None and one.high is not None
    if one.weighed == 1:
        spread = "one weighed"
    elif one.weighed < LEAST_FOR_HALF:
        spread = f"all from {one.low:.1f} to {one.high:.1f}"
    else:
        spread = f"the middle half from {one.low:.1f} to {one.high:.1f}"
    return f"{one.middle:.1f}", spread, f"{one.weighed} of {runs_words(one.harvested)}"


def _mould_cells(count: MouldCount) -> tuple[str, ...]:
    found = (
        (count.confirmed, "confirmed"),
        (count.otherwise, "something else"),
        (count.unanswered, "not answered"),
    )
    words = ", ".join(f"{number} {what}" for number, what in found if number)
    return f"{count.flagged} of {runs_words(count.runs)}", words
