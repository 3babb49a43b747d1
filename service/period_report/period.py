"""A period of whole days on the room's own calendar."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from service.log.refusals import Refusal

_FIRST_YEAR, _LAST_YEAR = 2000, 2199


@dataclass(frozen=True)
class Period:
    """From the first day to the last, both included.

    Parameters
    ----------
    first, last : date
    zone : ZoneInfo
        Of the room.
    """

    first: date
    last: date
    zone: ZoneInfo

    @cached_property
    def start(self) -> datetime:
        """Its first moment, UTC."""
        return datetime.combine(self.first, time(), self.zone).astimezone(UTC)

    @cached_property
    def end(self) -> datetime:
        """The first moment after it, UTC."""
        return datetime.combine(self.last + timedelta(days=1), time(), self.zone).astimezone(UTC)

    def holds(self, moment: datetime) -> bool:
        """Whether a moment lies in it."""
        return self.start <= moment < self.end

    def weeks(self) -> list[date]:
        """First days of its weeks; the first may begin within a week."""
        found, day = [], self.first
        while day <= self.last:
            found.append(day)
            day += timedelta(days=7 - day.weekday())
        return found


def typed_period(first: str | None, last: str | None, *, zone: ZoneInfo, today: date) -> Period:
    """A period as typed; what is left out is the first of this month, and today.

    Raises
    ------
    Refusal
        If one is no date, lies outside the years of a log, or they are the wrong way round.
    """
    from_day = today.replace(day=1) if first is None else _day("from", first)
    to_day = max(today, from_day) if last is None else _day("to", last)
    if to_day < from_day:
        raise Refusal("to", f"must not be earlier than {from_day}, got {to_day}")
    return Period(from_day, to_day, zone)


def _day(field: str, text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise Refusal(field, f"must be a date such as 2026-03-31, got {text[:40]!r}") from error
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise Refusal(field, f"must lie in the years {_FIRST_YEAR} to {_LAST_YEAR}, got {day}")
    return day
