"""Possible mould and holds of a period: what was noticed, who answered what, when."""

from dataclasses import dataclass

import sqlalchemy as sa

from service.entries import current
from service.flag_history import FlagEvent, flag_histories
from service.period_report.names import Names
from service.period_report.period import Period
from service.period_report.runs import parts_of
from service.schema import FLAG, FLAG_EVENT
from trayvision.attention_flags import FlagKind
from trayvision.attention_state import Level


@dataclass(frozen=True)
class ReportedFlag:
    """One reason to look that was possible mould, or asked to hold a tray from feeding.

    Parameters
    ----------
    flag_id : int
    run_id : int or None
    tray : int or None
    kind : str
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
    hold: bool
    events: tuple[FlagEvent, ...]


def reported_flags(
    connection: sa.Connection, period: Period, names: Names
) -> tuple[ReportedFlag, ...]:
    """Flags of possible mould, and all that asked to hold, of which a period says something."""
    events = current(FLAG_EVENT)
    said = sa.select(events.c.flag_id).where(events.c.at >= period.start, events.c.at < period.end)
    held = sa.select(events.c.flag_id).where(events.c.level == Level.HOLD)
    statement = (
        sa.select(FLAG)
        .where(
            FLAG.c.id.in_(said),
            sa.or_(FLAG.c.kind == FlagKind.POSSIBLE_MOULD, FLAG.c.id.in_(held)),
        )
        .order_by(FLAG.c.opened_at, FLAG.c.id)
    )
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
