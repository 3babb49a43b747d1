"""The room itself, corrected."""

from service.context import Service
from service.entries import Entrant
from service.ingest import tell_watchers
from service.models.room import Room, RoomChange
from service.resources import Resource
from service.room_log import the_room
from service.schema import ROOM

ROOMS = Resource(ROOM, RoomChange, RoomChange, Room)


def correct_room(service: Service, change: RoomChange, by: Entrant) -> Room:
    """Put a correction beside what holds of the room. Raises Refusal."""
    with service.database.write() as connection:
        out = ROOMS.correct(connection, the_room(connection).id, change, by)
    assert isinstance(out, Room)
    tell_watchers(service, ())
    return out
