"""The last reading of the room's air and of each shelf's."""

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from typing import Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import READING
from service.models.runs import Reading
from trayvision.attention.air import AIR_FRESH

_Place = int | None
# From when on the morning's reading is asked for, and the evening's.
_ROUNDS: Final = (time(4), time(16))


def last_readings(connection: sa.Connection, now: datetime) -> list[Reading]:
    """The last reading up to a moment of the room, then of each shelf that has any."""
    kept = _LAST.of(connection)
    places = sorted(kept, key=lambda shelf: (shelf is not None, shelf or 0))
    found = []
    for place in places:
        known = kept[place]
        if known is None or not known.holds_at(now):
            known = kept[place] = _last_reading(connection, place, now)
        if known.reading is not None:
            found.append(known.reading)
    return found


def air_is_due(readings: Sequence[Reading], now: datetime) -> bool:
    """Whether nobody has read the air since this morning or this evening began.

    Parameters
    ----------
    readings : sequence of Reading
        The last of each place.
    now : aware datetime
        In the room's own time zone.
    """
    days = (now.date() - timedelta(days=1), now.date())
    begun = [datetime.combine(day, at, now.tzinfo) for day in days for at in _ROUNDS]
    since = max(moment for moment in begun if moment <= now)
    # Who read it a little before noon is not asked again by the afternoon's first hour.
    return all(one.read_at < min(since, now - AIR_FRESH) for one in readings)


class _Last:
    """The last reading of a place, and between which moments it is the last one."""

    def __init__(
        self, reading: Reading | None, since: datetime | None, until: datetime | None
    ) -> None:
        self.reading = reading
        self._since = since
        self._until = until

    def holds_at(self, now: datetime) -> bool:
        """Whether no other reading is the last one at a moment."""
        begun = self._since is None or self._since <= now
        return begun and (self._until is None or now < self._until)


def _last_reading(connection: sa.Connection, shelf_id: _Place, now: datetime) -> _Last:
    readings = current(READING)
    here = readings.c.shelf_id.is_(None) if shelf_id is None else readings.c.shelf_id == shelf_id
    statement = (
        sa.select(readings)
        .where(here, readings.c.read_at <= now)
        .order_by(readings.c.read_at.desc(), readings.c.id.desc())
        .limit(1)
    )
    later = sa.select(sa.func.min(readings.c.read_at)).where(here, readings.c.read_at > now)
    until = connection.execute(later).scalar()
    row = connection.execute(statement).mappings().first()
    if row is None:
        return _Last(None, None, until)
    reading = Reading.model_validate({name: row[name] for name in Reading.model_fields})
    return _Last(reading, reading.read_at, until)


# Places at which anything was ever read; None until somebody asks for the last one there.
_Kept = dict[_Place, _Last | None]


def _renewed(connection: sa.Connection, before: tuple[_Kept, Seen] | None) -> _Kept:
    """What was kept, without the places of which there is something new."""
    if before is None:
        places = connection.execute(sa.select(READING.c.shelf_id).distinct()).scalars()
        return dict.fromkeys(places)
    kept, seen = before
    column: sa.ColumnElement[_Place] = READING.c.shelf_id
    concerned = news(connection, READING, seen, column)
    # Copied at once, since others may add to it meanwhile.
    return {**kept.copy(), **dict.fromkeys(concerned)}


_LAST = LogMemory((READING,), _renewed)
