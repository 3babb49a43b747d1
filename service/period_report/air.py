"""Air of a period: lowest and highest by week and place."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from service.entries import current
from service.period_report.names import Names
from service.period_report.period import Period
from service.room_log import Row
from service.schema import READING


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
    now = current(READING)
    statement = (
        sa.select(now)
        .where(now.c.read_at >= period.start, now.c.read_at < period.end)
        .order_by(now.c.read_at, now.c.id)
    )
    by_place: dict[tuple[date, str], list[Row]] = {}
    for row in connection.execute(statement).mappings():
        place = names.place(None, row["shelf_id"])
        by_place.setdefault((period.week_of(row["read_at"]), place), []).append(row)
    read = {week for week, _ in by_place}
    weeks = [
        WeekOfAir(
            week,
            place,
            len(rows),
            _range(rows, "temperature", "c"),
            _range(rows, "humidity", "percent"),
        )
        for (week, place), rows in by_place.items()
    ]
    weeks += [WeekOfAir(week, None, 0, None, None) for week in period.weeks() if week not in read]
    return tuple(sorted(weeks, key=lambda one: (one.week, one.place or "")))


def _range(rows: Iterable[Row], quantity: str, unit: str) -> tuple[float, float] | None:
    names = (f"{quantity}_{unit}", f"{quantity}_low_{unit}", f"{quantity}_high_{unit}")
    values = [row[name] for row in rows for name in names if row[name] is not None]
    return (min(values), max(values)) if values else None
