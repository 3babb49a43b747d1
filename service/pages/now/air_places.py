"""Where air is read: at the top and at the bottom, between which it differs most."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.log.log_memory import last_until
from service.room.rack_log import Rack, Shelf, racks_as_they_stand
from service.runs.run_calendar import run_calendar
from service.runs.run_places import PLACES


@dataclass(frozen=True)
class AirPlace:
    """A shelf on which air is read, else the room."""

    shelf_id: int | None
    name: str

    @property
    def key(self) -> str:
        """Start of the names of its fields in the form."""
        return "room" if self.shelf_id is None else f"shelf {self.shelf_id}"


THE_ROOM: Final = AirPlace(None, "The room")


def air_places(connection: sa.Connection, now: datetime) -> tuple[AirPlace, ...]:
    """The top and the bottom shelf of each rack in which something grows; else the room.

    Of all racks where nothing grows, or nobody said where. With several racks, names begin with
    the rack's.
    """
    racks = [rack for rack in racks_as_they_stand(connection) if rack.shelves]
    grown = _grown_on(connection, now)
    read = [rack for rack in racks if grown & {shelf.id for shelf in rack.shelves}] or racks
    return tuple(
        _place(rack, shelf, racks)
        for rack in read
        for shelf in dict.fromkeys((rack.shelves[0], rack.shelves[-1]))
    ) or (THE_ROOM,)


def every_air_place(connection: sa.Connection) -> tuple[AirPlace, ...]:
    """The room and all shelves: a form may have been opened when something grew elsewhere."""
    racks = racks_as_they_stand(connection)
    return THE_ROOM, *(_place(rack, shelf, racks) for rack in racks for shelf in rack.shelves)


def _place(rack: Rack, shelf: Shelf, racks: list[Rack] | tuple[Rack, ...]) -> AirPlace:
    return AirPlace(shelf.id, shelf.name if len(racks) == 1 else f"{rack.name}, {shelf.name}")


def _grown_on(connection: sa.Connection, now: datetime) -> set[int | None]:
    placed = PLACES.of(connection)
    growing = {span.tray_id for span in run_calendar(connection).not_ended(now)}
    places = (last_until(placed.get(tray, ()), "placed_at", now) for tray in growing)
    return {place["shelf_id"] for place in places if place is not None}
