"""The room itself, corrected."""

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant, history
from service.log.refusals import Conflict
from service.log.schema import ROOM
from service.models.room import Room, RoomChange
from service.photos.ingest import tell_watchers
from service.room.resources import Resource
from service.room.room_log import the_room

ROOMS = Resource(ROOM, RoomChange, RoomChange, Room)


def correct_room(service: Service, change: RoomChange, by: Entrant) -> Room:
    """Put a correction beside what holds of the room. Raises Refusal."""
    with service.database.write() as connection:
        out = ROOMS.correct(connection, the_room(connection).id, change, by)
    assert isinstance(out, Room)
    tell_watchers(service, ())
    return out


def take_back_room(connection: sa.Connection, room_id: int, by: Entrant) -> int:
    """Undo the last correction of the room. Raises NotFound and Conflict."""
    if len(history(connection, ROOM, room_id)) == 1:
        raise Conflict("room", "was never corrected, and there is no log without its room")
    return ROOMS.take_back(connection, room_id, by)
