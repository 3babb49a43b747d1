"""Air of a period: lowest and highest by week and place."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from itertools import chain
from typing import Any, Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import READING
from service.period_report.names import Names
from service.period_report.period import Period

_COLUMNS: Final = {
    (quantity, unit): tuple(f"{quantity}{which}_{unit}" for which in ("", "_low", "_high"))
    for quantity, unit in (("temperature", "c"), ("humidity", "percent"))
}


@dataclass(frozen=True)
class WeekOfAir:
    """Lowest and highest that was read in a week, minimum and maximum of instruments included.

    Parameters
    ----------
    week : date
        Its first day in the period.
    place : str or None
        The room or a shelf; None: nothing was read anywhere in this week.
    readings : int
    temperature_c, humidity_percent : (lowest, highest) or None
    """

    week: date
    place: str | None
    readings: int
    temperature_c: tuple[float, float] | None
    humidity_percent: tuple[float, float] | None


def weeks_of_air(connection: sa.Connection, period: Period, names: Names) -> tuple[WeekOfAir, ...]:
    """All weeks of a period, those without a reading too."""
    weeks = period.weeks()
    ends = [*(_midnight(week, period) for week in weeks[1:]), period.end]
    found = []
    for week, begins, end in zip(weeks, [period.start, *ends], ends, strict=False):
        read = connection.execute(_week(), {"begins": begins, "ends": end}).all()
        found += [
            WeekOfAir(
                week,
                names.place(None, row.shelf_id),
                row.readings,
                _range(row, "temperature", "c"),
                _range(row, "humidity", "percent"),
            )
            for row in read
        ] or [WeekOfAir(week, None, 0, None, None)]
    return tuple(sorted(found, key=lambda one: (one.week, one.place or "")))


def _midnight(day: date, period: Period) -> datetime:
    return datetime.combine(day, time(), period.zone).astimezone(UTC)


@lru_cache(maxsize=1)
def _week() -> sa.Select[Any]:
    """Number, lowest and highest of each column, by shelf; of readings from `begins` to `ends`."""
    now = current(READING)
    extremes = [
        how(now.c[name]).label(f"{label}_{name}")
        for name in chain.from_iterable(_COLUMNS.values())
        for label, how in (("least", sa.func.min), ("most", sa.func.max))
    ]
    return (
        sa.select(now.c.shelf_id, sa.func.count().label("readings"), *extremes)
        .where(now.c.read_at >= sa.bindparam("begins"), now.c.read_at < sa.bindparam("ends"))
        .group_by(now.c.shelf_id)
    )


def _range(row: Any, quantity: str, unit: str) -> tuple[float, float] | None:
    names = _COLUMNS[quantity, unit]
    least = [getattr(row, f"least_{name}") for name in names]
    most = [getattr(row, f"most_{name}") for name in names]
    known = [value for value in (*least, *most) if value is not None]
    return (min(known), max(known)) if known else None
