"""What stood open of possible mould when something was taken of a run."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import FLAG, FLAG_EVENT
from service.models.flags import Verdict
from service.runs.flag_runs import present_run_of
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_places import came_through
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level


class MouldThen(StrEnum):
    """What stood open, in words that follow "it was"; the gravest first."""

    CONFIRMED = "on hold: somebody had found mould"
    HOLD = "on hold for possible mould"
    LOOK = "under an open look for possible mould"


class MouldWhenTaken:
    """What stood open of each run at any moment, on one open connection.

    A part that was put into another tray bears what was seen of its run before.
    """

    def __init__(self, connection: sa.Connection) -> None:
        self._calendar = run_calendar(connection)
        self._of_run: dict[int, list[_Told]] = {}
        self._told: dict[int, _Told] = {}
        for flag_id, told in _TOLD.of(connection).items():
            run_id = present_run_of(
                self._calendar, told.run_id, tray_id=told.tray_id, since=told.since
            )
            if run_id is not None:
                self._told[flag_id] = told
                self._of_run.setdefault(run_id, []).append(told)

    def of(self, span: RunSpan, at: datetime) -> MouldThen | None:
        """The gravest that stood open of a run at a moment, None where nothing did."""
        legs = [(span, at), *came_through(self._calendar, span)]
        found = {
            told.at(at)
            for run, until in legs
            for told in self._of_run.get(run.id, ())
            if told.since <= until
        }
        return next((one for one in MouldThen if one in found), None)

    def last_answer(self, run_id: int) -> datetime | None:
        """When somebody last said what a flag of a run was, or that it was seen to."""
        said = [
            one.at
            for told in self._of_run.get(run_id, ())
            for one in told.events
            if one.kind in ("done", "verdict")
        ]
        return max(said, default=None)

    def found(self) -> dict[int, datetime]:
        """When mould was found, by the flag of which that was last said; its run may be over."""
        return {
            flag: at for flag, told in self._told.items() if (at := told.found_at()) is not None
        }


@dataclass(frozen=True)
class _Event:
    """One thing that was said of a flag, and when it held."""

    kind: str
    at: datetime
    level: str | None
    verdict: str | None


@dataclass(frozen=True)
class _Told:
    """A flag of possible mould and all that was said of it, in the order of entry."""

    run_id: int
    tray_id: int | None
    since: datetime
    events: tuple[_Event, ...]

    def found_at(self) -> datetime | None:
        """When somebody found mould, where that is the last verdict."""
        said = [one for one in self.events if one.verdict is not None]
        return said[-1].at if said and said[-1].verdict == Verdict.RIGHT else None

    def at(self, moment: datetime) -> MouldThen | None:
        """What it asked for at a moment."""
        known = [one for one in self.events if one.at <= moment]
        verdicts = [one.verdict for one in known if one.verdict is not None]
        if verdicts and verdicts[-1] == Verdict.RIGHT:
            return MouldThen.CONFIRMED
        if not known or known[-1].kind in ("done", "verdict", "gone"):
            return None
        levels = [one.level for one in known if one.level is not None]
        return MouldThen.HOLD if levels and levels[-1] == Level.HOLD else MouldThen.LOOK


_ByFlag = Mapping[int, _Told]


def _renewed(connection: sa.Connection, before: tuple[_ByFlag, Seen] | None) -> _ByFlag:
    events = current(FLAG_EVENT)
    statement = (
        sa.select(
            *(events.c.flag_id, FLAG.c.run_id, FLAG.c.tray_id, FLAG.c.since),
            *(events.c.kind, events.c.at, events.c.level, events.c.verdict),
        )
        .join(FLAG, FLAG.c.id == events.c.flag_id)
        .where(FLAG.c.kind == str(FlagKind.POSSIBLE_MOULD), FLAG.c.run_id.is_not(None))
        .order_by(events.c.id)
    )
    kept: dict[int, _Told] = {}
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kept = {flag: told for flag, told in before[0].items() if flag not in concerned}
        statement = statement.where(events.c.flag_id.in_(concerned))
    said: dict[int, list[_Event]] = {}
    own: dict[int, tuple[int, int | None, datetime]] = {}
    for flag_id, run_id, tray_id, since, *event in connection.execute(statement):
        said.setdefault(flag_id, []).append(_Event(*event))
        own[flag_id] = (run_id, tray_id, since)
    return {**kept, **{flag: _Told(*own[flag], tuple(told)) for flag, told in said.items()}}


# A flag is entered together with its first event.
_TOLD = LogMemory((FLAG_EVENT,), _renewed)
