"""Temperatures that a run stood in, of its shelf's own thermometer where one was read."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import READING
from service.room.air_limits import HOTTEST_C
from service.room.room_log import Row
from service.runs.run_places import Stood
from trayvision.growth.thermal_time import LONGEST_GAP_HOURS, RoomReading

_LONGEST_GAP = timedelta(hours=LONGEST_GAP_HOURS)


@dataclass(frozen=True)
class RunPlaces:
    """Where and when a run stood."""

    spread_at: datetime
    until: datetime
    stood: Stood

    @property
    def since(self) -> datetime:
        """From when readings count; they need not begin with the run."""
        return self.spread_at - timedelta(days=1)

    def stays(self) -> list[tuple[datetime, datetime, int | None]]:
        """From when to when it stood on which shelf, all of its time."""
        shelves = [shelf_id for _, shelf_id in self.stood] or [None]
        moves = [since for since, _ in self.stood[1:]]
        return list(zip([self.since, *moves], [*moves, self.until], shelves, strict=True))


def temperatures(connection: sa.Connection, air: RunPlaces) -> list[RoomReading]:
    """Those of which thermal time is made, in hours since spreading."""
    now = current(READING)
    shelves = [shelf_id for _, shelf_id in air.stood if shelf_id is not None]
    statement = (
        sa.select(now.c.read_at, now.c.temperature_c, now.c.shelf_id)
        .where(
            # Hotter air is asked about: believed, one slip would add days of warmth.
            now.c.temperature_c <= HOTTEST_C,
            now.c.shelf_id.is_(None) | now.c.shelf_id.in_(shelves),
            now.c.read_at >= air.since,
            now.c.read_at < air.until,
        )
        .order_by(now.c.read_at, now.c.id)
    )
    rows = connection.execute(statement).mappings().all()
    own = [
        row
        for since, until, shelf_id in air.stays()
        for row in rows
        if since <= row["read_at"] < until and row["shelf_id"] == shelf_id
    ]
    of_room = [row for row in rows if row["shelf_id"] is None]
    return [
        RoomReading((row["read_at"] - air.spread_at).total_seconds() / 3600, row["temperature_c"])
        for row in (*own, *_beside(own, of_room))
    ]


def _beside(own: Sequence[Row], of_room: Sequence[Row]) -> list[Row]:
    """The room's readings where the shelf's own do not carry warmth from one to the next.

    Were all of them dropped for one of the shelf, it would take away what they had carried.
    """
    carried = [
        (one["read_at"], following["read_at"])
        for one, following in pairwise(own)
        if following["read_at"] - one["read_at"] <= _LONGEST_GAP
    ]
    carried += [(one["read_at"], one["read_at"]) for one in own]
    return [
        row
        for row in of_room
        if not any(since <= row["read_at"] <= until for since, until in carried)
    ]
