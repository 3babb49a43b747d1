"""When and how runs ended, and since when their trays are no longer whole."""

from collections.abc import Iterable, Sequence
from datetime import datetime

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import HARVEST, RUN
from service.models.runs import EndReason


def ends_of_runs(
    connection: sa.Connection, runs: Iterable[int] | None
) -> dict[int, tuple[datetime, EndReason]]:
    """When and how runs ended by a harvest of their own, by run id."""
    now = current(HARVEST)
    statement = (
        sa.select(now.c.run_id, now.c.harvested_at, now.c.reason)
        .where(now.c.ends_run.is_(sa.true()))
        .order_by(now.c.harvested_at.desc())
    )
    if runs is not None:
        statement = statement.where(now.c.run_id.in_(list(runs)))
    return {
        row.run_id: (row.harvested_at, EndReason(row.reason))
        for row in connection.execute(statement)
    }


def first_parts(connection: sa.Connection, runs: Sequence[int] | None) -> dict[int, datetime]:
    """When a part of a run's tray was first taken or put into another tray, by run id."""
    harvests, parts = current(HARVEST), current(RUN)
    taken = (harvests.c.run_id, harvests.c.harvested_at, harvests.c.ends_run.is_(sa.false()))
    put = (parts.c.split_from_id, parts.c.in_tray_from, parts.c.in_tray_from.is_not(None))
    first: dict[int, datetime] = {}
    for run_id, at, is_part in (taken, put):
        statement = sa.select(run_id.label("run_id"), at.label("at")).where(
            is_part, run_id.is_not(None)
        )
        if runs is not None:
            statement = statement.where(run_id.in_(runs))
        for row in connection.execute(statement):
            first[row.run_id] = min(row.at, first.get(row.run_id, row.at))
    return first
