"""What was taken of each run, kept between answers."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from datetime import datetime

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import HARVEST
from service.models.runs import EndReason, Harvest

Harvests = Mapping[int, tuple[Harvest, ...]]


def harvests_of_runs(connection: sa.Connection) -> Harvests:
    """All parts that were taken of each run, the oldest first, by run id."""
    return _HARVESTS.of(connection)


def harvested_g(parts: Sequence[Harvest]) -> float | None:
    """Weight of what was taken and not thrown; None where a part was not weighed, or none taken."""
    return _weight([part for part in parts if part.reason is not EndReason.THROWN])


def thrown_g(parts: Sequence[Harvest]) -> float | None:
    """Weight of what was thrown; None where a part of it was not weighed, or none was."""
    return _weight([part for part in parts if part.reason is EndReason.THROWN])


def _weight(parts: Sequence[Harvest]) -> float | None:
    known = [part.weight_g for part in parts if part.weight_g is not None]
    return sum(known) if known and len(known) == len(parts) else None


def _read_harvests(connection: sa.Connection, before: tuple[Harvests, Seen] | None) -> Harvests:
    now = current(HARVEST)
    statement = sa.select(now).order_by(now.c.harvested_at, now.c.id)
    kept: dict[int, tuple[Harvest, ...]] = {}
    if before is not None:
        runs: set[int] = news(connection, HARVEST, before[1], HARVEST.c.run_id)
        kept = {**before[0]}
        for run in runs:
            kept.pop(run, None)
        statement = statement.where(now.c.run_id.in_(runs))
    found: dict[int, tuple[Harvest, ...]] = {}
    for row in connection.execute(statement).mappings():
        values = {name: row[name] for name in Harvest.model_fields} | {
            "reason": None if row["reason"] is None else EndReason(row["reason"])
        }
        # Rows of the log hold to the model's rules already.
        harvest = Harvest.model_construct(**values)
        found[harvest.run_id] = (*found.get(harvest.run_id, ()), harvest)
    return {**kept, **found}


_HARVESTS = LogMemory((HARVEST,), _read_harvests)


def runs_taken(connection: sa.Connection, start: datetime, end: datetime) -> set[int]:
    """Ids of runs of which something was taken from a moment on and before another."""
    taken = _IN_ORDER.of(connection)
    first, last = (bisect_left(taken, moment, key=lambda one: one[0]) for moment in (start, end))
    return {run_id for _, run_id in taken[first:last]}


def _in_order(connection: sa.Connection, _before: object) -> list[tuple[datetime, int]]:
    harvests = harvests_of_runs(connection)
    return sorted((one.harvested_at, run) for run, parts in harvests.items() for one in parts)


_IN_ORDER = LogMemory((HARVEST,), _in_order)
