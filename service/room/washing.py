"""Trays in which something grew, and of which nobody wrote since that they were washed."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.flags.mould_when_taken import MouldThen, MouldWhenTaken
from service.log.log_memory import last_until, rows_by_tray
from service.log.schema import TRAY_STATE
from service.models.runs import EndReason
from service.room.room_log import trays_by_number
from service.runs.run_calendar import RunSpan, run_calendar

_JUST_BEFORE: Final = timedelta(microseconds=1)
STATES: Final = rows_by_tray(TRAY_STATE, "since_at")


def unwashed_run(connection: sa.Connection, tray_id: int, now: datetime) -> RunSpan | None:
    """The run after which a tray is still to be washed; None where something grows in it now.

    Whoever writes that it rests, is empty and ready to fill, or is out of use, has seen to it.
    """
    spans = [
        span for span in run_calendar(connection).by_tray.get(tray_id, ()) if span.begins_at <= now
    ]
    if not spans or spans[-1].ended_at is None or spans[-1].ended_at > now:
        return None
    last = spans[-1]
    said = last_until(STATES.of(connection).get(tray_id, ()), "since_at", now)
    assert last.ended_at is not None
    return None if said is not None and said["since_at"] >= last.ended_at else last


def unwashed_after_mould(
    connection: sa.Connection, numbers: Iterable[int], now: datetime
) -> tuple[int, ...]:
    """Of some trays those still to be washed that were held or thrown for possible mould."""
    trays = trays_by_number(connection)
    runs = [
        run
        for number in numbers
        if number in trays
        and (run := unwashed_run(connection, trays[number]["id"], now)) is not None
    ]
    record = MouldWhenTaken(connection) if runs else None
    return tuple(run.number for run in runs if record is not None and _was_mouldy(record, run))


def _was_mouldy(record: MouldWhenTaken, run: RunSpan) -> bool:
    assert run.ended_at is not None, "a run that grows is none after which to wash"
    # What was asked of it goes with the run, at the moment of its end at the earliest.
    then = record.of(run, run.ended_at - _JUST_BEFORE)
    thrown = run.reason == EndReason.THROWN
    return then in (MouldThen.CONFIRMED, MouldThen.HOLD) or (thrown and then is not None)
