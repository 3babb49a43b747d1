"""The whole report over a period, put together on one open connection."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.models.room import Room
from service.period_report.air import WeekOfAir, weeks_of_air
from service.period_report.chores import Chores, chores_of
from service.period_report.corrections import Correction, corrections_of
from service.period_report.flags import ReportedFlag, reported_flags
from service.period_report.names import Names, names_of
from service.period_report.period import Period
from service.period_report.runs import (
    LotUse,
    ReportedRun,
    Totals,
    lot_uses,
    reported_runs,
    totals_of,
)


@dataclass(frozen=True)
class Report:
    """What the log says of a period, as known at a moment."""

    period: Period
    known_at: datetime
    names: Names
    totals: Totals
    lots: tuple[LotUse, ...]
    runs: tuple[ReportedRun, ...]
    flags: tuple[ReportedFlag, ...]
    air: tuple[WeekOfAir, ...]
    chores: Chores
    corrections: tuple[Correction, ...]


def period_report(
    connection: sa.Connection, room: Room, period: Period, *, now: datetime
) -> Report:
    """All parts of the report."""
    names = names_of(connection)
    runs = reported_runs(connection, room, period, now)
    return Report(
        period=period,
        known_at=now,
        names=names,
        totals=totals_of(runs, period),
        lots=lot_uses(runs, period, names),
        runs=runs,
        flags=reported_flags(connection, period, names),
        air=weeks_of_air(connection, period, names),
        chores=chores_of(connection, period, names),
        corrections=corrections_of(connection, period, names, runs=[one.run.id for one in runs]),
    )
