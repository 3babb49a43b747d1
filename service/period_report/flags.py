"""Possible mould and holds of a period: what was noticed, who answered what, when."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.flags.flag_history import FlagEvent, flag_histories
from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import FLAG, FLAG_EVENT
from service.period_report.names import Names
from service.period_report.period import Period
from service.period_report.runs import parts_of
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level


@dataclass(frozen=True)
class ReportedFlag:
    """One reason to look that was possible mould, or asked to hold a tray from feeding.

    Parameters
    ----------
    flag_id : int
    run_id : int or None
    tray : int or None
    kind : str
    since : aware datetime
        When what it is about began.
    hold : bool
        Whether it ever asked to hold the tray.
    events : sequence of FlagEvent
        First to last; undone answers stand among them. What was noticed again at the same
        level is left out between, its last time kept.
    """

    flag_id: int
    run_id: int | None
    tray: int | None
    kind: str
    since: datetime
    hold: bool
    events: tuple[FlagEvent, ...]


def flags_in(connection: sa.Connection, period: Period) -> list[int]:
    """Ids of the flags of possible mould, and all that asked to hold, of which a period tells."""
    start, end = period.start, period.end
    return [
        flag
        for flag, moments in _MOMENTS.of(connection).items()
        if any(start <= moment < end for moment in moments)
    ]


def reported_flags(
    connection: sa.Connection, ids: Sequence[int], names: Names
) -> tuple[ReportedFlag, ...]:
    """Some flags in the order in which they were opened."""
    statement = sa.select(FLAG).where(FLAG.c.id.in_(ids)).order_by(FLAG.c.opened_at, FLAG.c.id)
    rows = list(connection.execute(statement).mappings())
    histories: dict[int, list[FlagEvent]] = {}
    for part in parts_of([row["id"] for row in rows]):
        histories.update(flag_histories(connection, part))
    return tuple(
        ReportedFlag(
            flag_id=row["id"],
            run_id=row["run_id"],
            tray=names.trays.get(row["tray_id"]),
            kind=row["kind"],
            since=row["since"],
            hold=any(event.level == Level.HOLD for event in histories[row["id"]]),
            events=_shortened(histories[row["id"]]),
        )
        for row in rows
    )


def _shortened(events: list[FlagEvent]) -> tuple[FlagEvent, ...]:
    """Without what was noticed between the first and last time at the same level in a row."""
    kept: list[FlagEvent] = []
    for event in events:
        again = len(kept) > 1 and all(
            (one.kind, one.level) == (event.kind, event.level) and event.kind == "noticed"
            for one in kept[-2:]
        )
        if again:
            kept.pop()
        kept.append(event)
    return tuple(kept)


# When anything that holds was said of each flag that belongs into a report, by its id.
_Moments = Mapping[int, tuple[datetime, ...]]


def _renewed(connection: sa.Connection, before: tuple[_Moments, Seen] | None) -> _Moments:
    events = current(FLAG_EVENT)
    other = events.alias()
    held = sa.exists().where(other.c.flag_id == events.c.flag_id, other.c.level == Level.HOLD)
    statement = (
        sa.select(events.c.flag_id, events.c.at)
        .join(FLAG, FLAG.c.id == events.c.flag_id)
        .where(sa.or_(FLAG.c.kind == FlagKind.POSSIBLE_MOULD, held))
    )
    kept: _Moments = {}
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kept = {flag: moments for flag, moments in before[0].items() if flag not in concerned}
        statement = statement.where(events.c.flag_id.in_(concerned))
    found: dict[int, tuple[datetime, ...]] = {}
    for flag_id, at in connection.execute(statement):
        found[flag_id] = (*found.get(flag_id, ()), at)
    return {**kept, **found}


# A flag is entered together with its first event.
_MOMENTS = LogMemory((FLAG_EVENT,), _renewed)
