"""Trays that stand on hold from feeding, until their run ends or a person says otherwise."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import sqlalchemy as sa

from service.flags.flag_log import Answer, answer, flags
from service.flags.mould_record import has_mould_news
from service.log.entries import Entrant, current
from service.log.log_memory import LogMemory, Seen
from service.log.schema import FLAG, FLAG_EVENT
from service.models.flags import FlagOut, FlagState, Hold, Verdict
from service.runs.flag_runs import present_run_of
from service.runs.run_calendar import RunCalendar, run_calendar
from service.runs.run_places import came_through
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level


@dataclass(frozen=True)
class _Confirmed:
    """A flag whose last verdict is that it is mould."""

    flag_id: int
    run_id: int
    tray_id: int | None
    since: datetime
    at: datetime
    by: int | None


def holds(
    connection: sa.Connection, growing: Mapping[int, int], unsettled: Iterable[FlagOut]
) -> list[Hold]:
    """Trays on hold, by number.

    A tray is on hold while a person's last word on one of its flags is that it is mould, and
    while a flag asks to hold it, put off or not: putting off a look feeds no animal. A part that
    was put into another tray is held with the run that it is of, where the mould was seen before.

    Parameters
    ----------
    connection : Connection
    growing : mapping of int to int
        Tray number by the id of the run that grows in it; a run that ended holds nothing.
    unsettled : iterable of FlagOut
        Flags that are open or snoozed.
    """
    runs = {tray: run_id for run_id, tray in growing.items()}
    asking = [flag for flag in unsettled if flag.level == Level.HOLD]
    found = {
        tray: Hold(
            tray=tray,
            run_id=runs[tray],
            flag_id=flag.id,
            since=flag.since,
            confirmed=False,
            confirmed_by=None,
        )
        for flag in asking
        for tray in flag.trays
        if tray in runs
    }
    confirmed = _confirmed(connection, growing)
    for run_id in {one.run_id for one in confirmed}:
        of_run = [one for one in confirmed if one.run_id == run_id]
        found[growing[run_id]] = Hold(
            tray=growing[run_id],
            run_id=run_id,
            flag_id=of_run[-1].flag_id,
            since=min(one.at for one in of_run),
            confirmed=True,
            confirmed_by=of_run[-1].by,
        )
    _hold_parts(connection, growing, asking, found)
    return [found[tray] for tray in sorted(found)]


def _hold_parts(
    connection: sa.Connection,
    growing: Mapping[int, int],
    asking: Sequence[FlagOut],
    found: dict[int, Hold],
) -> None:
    """Add the holds of parts that came into other trays after the mould was first seen.

    Of a part of a part that is every tray through which it came, each up to when it left it.
    """
    calendar = run_calendar(connection)
    parts = [calendar.by_id[run_id] for run_id in growing if run_id in calendar.by_id]
    for part in parts:
        if part.split_from_id is None or part.number in found:
            continue
        left = {one.id: until for one, until in came_through(calendar, part)}
        said = [
            (one.flag_id, one.since, one.at, one, left[one.run_id])
            for one in _confirmed(connection, left)
        ]
        asked = [
            (flag.id, flag.since, flag.since, None, left[flag.run_id])
            for flag in asking
            if flag.run_id in left
        ]
        for flag_id, seen_at, since, by, until in (*said, *asked):
            if seen_at <= until:
                found[part.number] = Hold(
                    tray=part.number,
                    run_id=part.id,
                    flag_id=flag_id,
                    since=max(since, part.begins_at),
                    confirmed=by is not None,
                    confirmed_by=None if by is None else by.by,
                )
                break


def is_held(connection: sa.Connection, run_id: int, number: int, now: datetime) -> bool:
    """Whether one run's tray, of this number, is on hold."""
    unsettled = [
        flag
        for state in (FlagState.OPEN, FlagState.SNOOZED)
        for flag in flags(connection, now, state=state)
    ]
    return bool(holds(connection, {run_id: number}, unsettled))


def end_hold(connection: sa.Connection, flag: FlagOut, said: Answer, by: Entrant) -> list[int]:
    """Take back that a run's tray is mouldy: every flag of it that was confirmed gets the answer.

    Returns
    -------
    list of int
        Ids of the flags that were answered, `flag` among them in any case.
    """
    confirmed = _all_confirmed(connection)
    runs = {flag.run_id} | {one.run_id for one in confirmed if one.flag_id == flag.id}
    asked = sorted({one.flag_id for one in confirmed if one.run_id in runs} | {flag.id})
    for flag_id in asked:
        answer(connection, flag_id, said, by)
    return asked


def _confirmed(connection: sa.Connection, runs: Iterable[int]) -> list[_Confirmed]:
    """Flags of possible mould whose last verdict is right, in the order of those verdicts."""
    asked = set(runs)
    return [one for one in _all_confirmed(connection) if one.run_id in asked]


def _all_confirmed(connection: sa.Connection) -> list[_Confirmed]:
    """Those of all runs."""
    calendar = run_calendar(connection)
    return [_of_present_run(one, calendar) for one in _CONFIRMED.of(connection)]


def _of_present_run(one: _Confirmed, calendar: RunCalendar) -> _Confirmed:
    """The same of the run that was entered anew where the flag's own was withdrawn."""
    now = present_run_of(calendar, one.run_id, tray_id=one.tray_id, since=one.since)
    return one if now in (None, one.run_id) else replace(one, run_id=now)


def _renewed(
    connection: sa.Connection, before: tuple[tuple[_Confirmed, ...], Seen] | None
) -> tuple[_Confirmed, ...]:
    """Those of all runs."""
    if before is not None and not has_mould_news(connection, before[1]):
        return before[0]
    events = current(FLAG_EVENT)
    statement = (
        sa.select(
            FLAG.c.id.label("flag_id"),
            FLAG.c.run_id,
            FLAG.c.tray_id,
            FLAG.c.since,
            events.c.id.label("event_id"),
            events.c.at,
            events.c.verdict,
            events.c.entered_by,
        )
        .join(events, events.c.flag_id == FLAG.c.id)
        .where(
            FLAG.c.kind == FlagKind.POSSIBLE_MOULD,
            FLAG.c.run_id.is_not(None),
            events.c.verdict.is_not(None),
        )
        .order_by(events.c.id)
    )
    last = {row["flag_id"]: row for row in connection.execute(statement).mappings()}
    right = [row for row in last.values() if row["verdict"] == Verdict.RIGHT]
    return tuple(
        _Confirmed(
            flag_id=row["flag_id"],
            run_id=row["run_id"],
            tray_id=row["tray_id"],
            since=row["since"],
            at=row["at"],
            by=row["entered_by"],
        )
        for row in sorted(right, key=lambda row: row["event_id"])
    )


_CONFIRMED = LogMemory((FLAG, FLAG_EVENT), _renewed)
