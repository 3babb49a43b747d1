"""The last reading of the room's air and of each shelf's."""

from datetime import datetime

import sqlalchemy as sa

from service.entries import current
from service.log_memory import LogMemory, Seen, news
from service.models.runs import Reading
from service.schema import READING

_Places = frozenset[int | None]


def last_readings(connection: sa.Connection, now: datetime) -> list[Reading]:
    """The last reading up to a moment of the room, then of each shelf that has any."""
    places = sorted(_PLACES.of(connection), key=lambda shelf: (shelf is not None, shelf or 0))
    found = (_last_reading(connection, shelf, now) for shelf in places)
    return [reading for reading in found if reading is not None]


def _last_reading(connection: sa.Connection, shelf_id: int | None, now: datetime) -> Reading | None:
    readings = current(READING)
    here = readings.c.shelf_id.is_(None) if shelf_id is None else readings.c.shelf_id == shelf_id
    statement = (
        sa.select(readings)
        .where(here, readings.c.read_at <= now)
        .order_by(readings.c.read_at.desc(), readings.c.id.desc())
        .limit(1)
    )
    row = connection.execute(statement).mappings().first()
    if row is None:
        return None
    return Reading.model_validate({name: row[name] for name in Reading.model_fields})


def _renewed(connection: sa.Connection, before: tuple[_Places, Seen] | None) -> _Places:
    if before is None:
        return frozenset(connection.execute(sa.select(READING.c.shelf_id).distinct()).scalars())
    column: sa.ColumnElement[int | None] = READING.c.shelf_id
    return before[0] | news(connection, READING, before[1], column)


_PLACES = LogMemory((READING,), _renewed)
