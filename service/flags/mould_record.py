"""Runs with possible mould, and what people answered when they went to look."""

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeVar

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen
from service.log.schema import FLAG, FLAG_EVENT, HARVEST, RUN, TRAY
from service.models.flags import Verdict
from service.runs.flag_runs import present_run_of
from service.runs.run_calendar import RunCalendar, run_calendar
from service.runs.run_facts import RunFact
from trayvision.attention.flags import FlagKind

UNANSWERED: Final = "unanswered"

Group = TypeVar("Group", bound=Hashable)
Answers = Mapping[int, str]


def mould_answers(connection: sa.Connection) -> Answers:
    """What was answered to possible mould by run id; `UNANSWERED` where nobody said what it was.

    Of several flags of one run a confirmed one counts, else the last answer. A run that never
    had such a flag is not in it: that no photo showed any mould proves nothing. Of a run that was
    withdrawn and entered anew, what was answered before counts.
    """
    return _ANSWERS.of(connection).answers


@dataclass(frozen=True)
class MouldCount:
    """Of how many runs how many had possible mould, and how it turned out."""

    runs: int
    confirmed: int
    otherwise: int
    unanswered: int

    @property
    def flagged(self) -> int:
        """Runs with possible mould."""
        return self.confirmed + self.otherwise + self.unanswered


def count_mould(
    facts: Iterable[RunFact], answers: Answers, groups: Callable[[RunFact], Iterable[Group]]
) -> dict[Group, MouldCount]:
    """Counts of runs by whatever they are grouped by."""
    runs: Counter[Group] = Counter()
    said: Counter[tuple[Group, str]] = Counter()
    for fact in facts:
        answer = answers.get(fact.run_id)
        for group in groups(fact):
            runs[group] += 1
            if answer is not None:
                said[group, answer] += 1
    flagged: Counter[Group] = Counter()
    for (group, _), count in said.items():
        flagged[group] += count
    return {
        group: MouldCount(
            runs=count,
            confirmed=(confirmed := said[group, Verdict.RIGHT]),
            otherwise=flagged[group] - confirmed - said[group, UNANSWERED],
            unanswered=said[group, UNANSWERED],
        )
        for group, count in runs.items()
    }


@dataclass(frozen=True)
class _Flagged:
    """A flag of possible mould, and its last verdict."""

    run_id: int
    tray_id: int | None
    since: datetime
    verdict: str | None


_AllFlagged = tuple[_Flagged, ...]


def _flagged(connection: sa.Connection, before: tuple[_AllFlagged, Seen] | None) -> _AllFlagged:
    """Those of all runs, in order."""
    if before is not None and not has_mould_news(connection, before[1]):
        return before[0]
    events = current(FLAG_EVENT)
    said = (
        sa.select(events.c.flag_id, events.c.verdict)
        .where(events.c.verdict.is_not(None))
        .order_by(events.c.id)
    )
    last = {row.flag_id: str(row.verdict) for row in connection.execute(said)}
    flags = sa.select(FLAG).where(_of_mould()).order_by(FLAG.c.id)
    return tuple(
        _Flagged(row.run_id, row.tray_id, row.since, last.get(row.id))
        for row in connection.execute(flags)
    )


_FLAGGED = LogMemory((FLAG, FLAG_EVENT), _flagged)


@dataclass(frozen=True)
class _Kept:
    """What was answered by run, and what it follows from."""

    answers: Answers
    flagged: _AllFlagged
    calendar: RunCalendar


def _renewed(connection: sa.Connection, before: tuple[_Kept, Seen] | None) -> _Kept:
    flagged, calendar = _FLAGGED.of(connection), run_calendar(connection)
    known = None if before is None else before[0]
    if known is not None and known.flagged is flagged and known.calendar is calendar:
        return known
    found: dict[int, str] = {}
    for one in flagged:
        run_id = present_run_of(calendar, one.run_id, tray_id=one.tray_id, since=one.since)
        if run_id is not None:
            said = found.setdefault(run_id, UNANSWERED)
            if one.verdict is not None and said != Verdict.RIGHT:
                found[run_id] = one.verdict
    # The same object for as long as it says the same: others keep what follows from it.
    same = known is not None and known.answers == found
    return _Kept(known.answers if known is not None and same else found, flagged, calendar)


def has_mould_news(connection: sa.Connection, seen: Seen) -> bool:
    """Whether another run had possible mould, or a verdict came or was taken back."""
    flag = sa.select(FLAG.c.id).where(FLAG.c.id > seen.last[FLAG.name], _of_mould())
    event = sa.select(FLAG_EVENT.c.id).where(
        FLAG_EVENT.c.id > seen.last[FLAG_EVENT.name],
        sa.or_(FLAG_EVENT.c.verdict.is_not(None), FLAG_EVENT.c.replaces_id.is_not(None)),
    )
    return any(connection.execute(asked.limit(1)).first() for asked in (flag, event))


def _of_mould() -> sa.ColumnElement[bool]:
    return sa.and_(FLAG.c.kind == str(FlagKind.POSSIBLE_MOULD), FLAG.c.run_id.is_not(None))


_ANSWERS = LogMemory((FLAG, FLAG_EVENT, RUN, HARVEST, TRAY), _renewed)
