"""Runs as they lie in time, of all trays, and which run a moment belongs to."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from itertools import zip_longest
from typing import Any, NamedTuple

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import MANY_TRAYS, LogMemory, Seen, news
from service.log.refusals import NotFound
from service.log.schema import HARVEST, RUN, TRAY
from service.models.runs import EndReason
from service.runs.run_ends import ends_of_runs, first_parts

RunRow = sa.RowMapping | dict[str, Any]
# A run that nobody ended says nothing of a photo taken long after it.
LONGEST_RUN = timedelta(days=60)
# Runs of one tray among which one is looked for that was not split.
_LOOKED_BACK = 5


class Extent(NamedTuple):
    """Where and when a run lies: all that its readings hang on."""

    tray_id: int
    spread_at: datetime
    begins_at: datetime
    until: datetime
    whole_until: datetime | None


@dataclass(frozen=True)
class RunSpan:
    """One run of a tray as it lies in time.

    Parameters
    ----------
    row : mapping
        The run as it holds now.
    number : int
        Of the tray.
    ended_at : datetime or None
    reason : EndReason or None
    whole_until : datetime or None
        When a part was first taken out of the tray, or put into it from another: from then on it
        is not full, and its cover says nothing of how it grows. None while it is whole.
    """

    row: RunRow
    number: int
    ended_at: datetime | None
    reason: EndReason | None
    whole_until: datetime | None = None

    @cached_property
    def id(self) -> int:
        """The run's id."""
        return int(self.row["id"])

    @cached_property
    def tray_id(self) -> int:
        """The tray's id."""
        return int(self.row["tray_id"])

    @cached_property
    def spread_at(self) -> datetime:
        """When the seed was spread."""
        return self.row["spread_at"]  # type: ignore[no-any-return]

    @cached_property
    def begins_at(self) -> datetime:
        """Since when it lies in this tray: its spreading, or later for a part of another tray."""
        return self.row["in_tray_from"] or self.spread_at

    @cached_property
    def split_from_id(self) -> int | None:
        """Of which run it is a part that was put into this tray; None for a run of its own."""
        return self.row["split_from_id"]  # type: ignore[no-any-return]

    @cached_property
    def soaked_at(self) -> datetime | None:
        """When the seed was soaked, where known."""
        return self.row["soaked_at"]  # type: ignore[no-any-return]

    @cached_property
    def until(self) -> datetime:
        """Up to when a photo belongs to this run."""
        return self.ended_at or self.spread_at + LONGEST_RUN

    @cached_property
    def extent(self) -> Extent:
        """Where and when it lies."""
        whole_until = self.whole_until
        return Extent(self.tray_id, self.spread_at, self.begins_at, self.until, whole_until)

    def holds(self, moment: datetime) -> bool:
        """Whether a moment lies in this run."""
        return self.begins_at <= moment < self.until


@dataclass(frozen=True)
class RunCalendar:
    """All runs as they lie in time.

    Parameters
    ----------
    by_tray : mapping of tray id to its runs, oldest first
    by_id : mapping of run id to RunSpan
    without_end : sequence of RunSpan
    ends : sequence of (ended_at, run id)
        Of all others, in order.
    parts : mapping of run id to RunSpan
        Parts of its tray that were put into other trays.
    """

    by_tray: Mapping[int, tuple[RunSpan, ...]]
    by_id: Mapping[int, RunSpan]
    without_end: Sequence[RunSpan]
    ends: Sequence[tuple[datetime, int]]
    parts: Mapping[int, tuple[RunSpan, ...]]

    def all(self) -> Iterator[RunSpan]:
        """By tray and oldest first."""
        for tray_id in sorted(self.by_tray):
            yield from self.by_tray[tray_id]

    def not_ended(self, now: datetime) -> list[RunSpan]:
        """The runs that had not ended by a moment."""
        ended = bisect_right(self.ends, now, key=lambda end: end[0])
        return [*self.without_end, *(self.by_id[run_id] for _, run_id in self.ends[ended:])]

    def last_ended(self, now: datetime, most: int) -> list[RunSpan]:
        """The last runs that had ended by a moment, the last one last."""
        ended = bisect_right(self.ends, now, key=lambda end: end[0])
        return [self.by_id[run_id] for _, run_id in self.ends[max(0, ended - most) : ended]]

    @cached_property
    def last_whole(self) -> dict[int, RunSpan]:
        """By number, the last run of each tray that was not split, the oldest first."""
        found = [
            kept[-1]
            for spans in self.by_tray.values()
            if (kept := [one for one in spans[-_LOOKED_BACK:] if not self.is_split(one)])
        ]
        return {one.number: one for one in sorted(found, key=lambda one: (one.spread_at, one.id))}

    def is_split(self, span: RunSpan) -> bool:
        """Whether a part of it lies in another tray, or it is such a part."""
        return span.split_from_id is not None or span.id in self.parts

    def with_parts(self, trays: Iterable[int]) -> set[int]:
        """Some trays, and those that hold parts of their runs."""
        asked = set(trays)
        return asked | {
            part.tray_id
            for run_id, parts in self.parts.items()
            for part in parts
            if run_id in self.by_id and self.by_id[run_id].tray_id in asked
        }


def run_calendar(connection: sa.Connection) -> RunCalendar:
    """All runs of the log."""
    return _CALENDAR.of(connection)


def run_spans(connection: sa.Connection, tray_id: int | None = None) -> list[RunSpan]:
    """Runs of one tray or of all, by tray and oldest first.

    A run without an end of its own ends where the tray's next one starts: whoever forgot to
    write the harvest down loses nothing.
    """
    calendar = run_calendar(connection)
    if tray_id is None:
        return list(calendar.all())
    return list(calendar.by_tray.get(tray_id, ()))


def run_spans_by_number(
    connection: sa.Connection,
) -> dict[int, tuple[tuple[datetime, datetime, datetime], ...]]:
    """(begins_at, until, spread_at) of all runs, by tray number."""
    return {
        spans[0].number: tuple((span.begins_at, span.until, span.spread_at) for span in spans)
        for spans in run_calendar(connection).by_tray.values()
        if spans
    }


def span_of(connection: sa.Connection, run_id: int) -> RunSpan:
    """One run as it lies in time.

    Raises
    ------
    NotFound
        If there is no such run.
    """
    found = run_calendar(connection).by_id.get(run_id)
    if found is None:
        raise NotFound("run", run_id)
    return found


def present_run(spans: Sequence[RunSpan], now: datetime) -> RunSpan | None:
    """The run that is under way, or about to be: soaking, or spread from a date to come."""
    for span in reversed(spans):
        if span.ended_at is None or span.ended_at > now:
            return span
    return None


def last_begun(spans: Sequence[RunSpan], moment: datetime) -> RunSpan | None:
    """The last of a tray's runs that had begun in it by a moment."""
    count = bisect_right(spans, moment, key=lambda span: span.begins_at)
    return spans[count - 1] if count else None


def _load(connection: sa.Connection, trays: Iterable[int] | None) -> dict[int, list[RunSpan]]:
    runs, numbered = current(RUN), current(TRAY)
    statement = sa.select(runs, numbered.c.number.label("tray_number")).join(
        numbered, numbered.c.id == runs.c.tray_id
    )
    if trays is not None:
        statement = statement.where(runs.c.tray_id.in_(list(trays)))
    found = connection.execute(statement).mappings().all()
    rows = sorted(_as_old_as_wholes(connection, found), key=_in_order)
    asked = None if trays is None else [row["id"] for row in rows]
    ends, taken = ends_of_runs(connection, asked), first_parts(connection, asked)
    spans: dict[int, list[RunSpan]] = {}
    for row, following in zip_longest(rows, rows[1:]):
        ended_at, reason = ends.get(row["id"], (None, None))
        if following is not None and following["tray_id"] == row["tray_id"]:
            next_start = _begins_at(following)
            if ended_at is None or ended_at > next_start:
                ended_at, reason = next_start, EndReason.NEXT_RUN
        whole_until = row["in_tray_from"] or taken.get(row["id"])
        span = RunSpan(row, row["tray_number"], ended_at, reason, whole_until)
        spans.setdefault(span.tray_id, []).append(span)
    return spans


def _as_old_as_wholes(connection: sa.Connection, rows: Sequence[sa.RowMapping]) -> Iterator[RunRow]:
    """Rows of runs; a part is as old as the run that it was taken from, also once corrected."""
    runs = current(RUN)
    wholes = {row["split_from_id"] for row in rows} - {None}
    # Asked for by themselves: a join with all runs takes minutes in a log of years.
    statement = sa.select(runs.c.id, runs.c.spread_at, runs.c.soaked_at)
    statement = statement.where(runs.c.id.in_(wholes))
    ages = {row["id"]: row for row in connection.execute(statement).mappings()} if wholes else {}
    for row in rows:
        age = ages.get(row["split_from_id"])
        yield row if age is None else {**row, **age, "id": row["id"]}


def _begins_at(row: RunRow) -> datetime:
    return row["in_tray_from"] or row["spread_at"]  # type: ignore[no-any-return]


def _in_order(row: RunRow) -> tuple[int, datetime, int]:
    return row["tray_id"], _begins_at(row), row["id"]


def _renewed(connection: sa.Connection, before: tuple[RunCalendar, Seen] | None) -> RunCalendar:
    if before is None:
        return _calendar({tray: tuple(spans) for tray, spans in _load(connection, None).items()})
    kept, seen = before
    trays = _trays_with_news(connection, kept, seen)
    fresh = _load(connection, trays if len(trays) < MANY_TRAYS else None)
    others = {tray: spans for tray, spans in kept.by_tray.items() if tray not in trays}
    return _calendar({**others, **{tray: tuple(fresh[tray]) for tray in trays if tray in fresh}})


def _calendar(by_tray: Mapping[int, tuple[RunSpan, ...]]) -> RunCalendar:
    by_id = {span.id: span for spans in by_tray.values() for span in spans}
    ends = sorted((span.ended_at, span.id) for span in by_id.values() if span.ended_at is not None)
    without_end = [span for span in by_id.values() if span.ended_at is None]
    parts: dict[int, tuple[RunSpan, ...]] = {}
    for span in by_id.values():
        if span.split_from_id is not None:
            parts[span.split_from_id] = (*parts.get(span.split_from_id, ()), span)
    return RunCalendar(by_tray, by_id, without_end, ends, parts)


def _trays_with_news(connection: sa.Connection, kept: RunCalendar, seen: Seen) -> set[int]:
    thing: sa.ColumnElement[int] = sa.func.coalesce(TRAY.c.original_id, TRAY.c.id)
    trays = news(connection, TRAY, seen, thing) | news(connection, RUN, seen, RUN.c.tray_id)
    harvested: set[int] = news(connection, HARVEST, seen, HARVEST.c.run_id)
    # A run that is new itself is among the rows above.
    trays |= {kept.by_id[run].tray_id for run in harvested if run in kept.by_id}
    return kept.with_parts(trays)


_CALENDAR = LogMemory((RUN, HARVEST, TRAY), _renewed)
