"""Paths of the room itself, the day's round and the health check."""

from datetime import datetime

import sqlalchemy as sa
from fastapi import APIRouter
from pydantic import Field

from service.flags.today import RoomNow
from service.models.base import Model
from service.models.room import History, Room, RoomChange
from service.models.today import Today
from service.problems import RESPONSES
from service.room.room_figures import ROOMS, correct_room
from service.room.room_log import the_room
from service.route_arguments import By, TheService

router = APIRouter(responses=RESPONSES)


class Health(Model):
    """The service answers and its log can be read."""

    status: str = Field(description="ok, or looks stopped: reasons to look cannot be worked out.")
    looks_stopped_since: datetime | None = None


# Watchdogs that want the status alone ask so.
@router.head("/healthz", include_in_schema=False)
@router.get(
    "/healthz",
    tags=["health"],
    summary="Whether the service and its log answer",
    response_model_exclude_none=True,
)
def healthz(service: TheService) -> Health:
    """Answers without a log-in."""
    with service.database.read() as connection:
        connection.execute(sa.text("SELECT 1"))
    stopped = service.looks.failing_since
    return Health(status="ok" if stopped is None else "looks stopped", looks_stopped_since=stopped)


@router.get("/api/today", tags=["today"], summary="The day's round")
def today(service: TheService) -> Today:
    """Looks, harvests, photos due, trays resting, chores and readings."""
    with service.database.read() as connection:
        return RoomNow(connection, the_room(connection), service.clock()).today()


@router.get("/api/room", tags=["room"], summary="The room")
def get_room(service: TheService) -> Room:
    """The room and how it counts its days."""
    with service.database.read() as connection:
        return the_room(connection)


@router.patch("/api/room", tags=["room"], summary="Correct the room")
def patch_room(service: TheService, by: By, change: RoomChange) -> Room:
    """Such as its time zone, or that it counts from soaking."""
    return correct_room(service, change, by)


@router.get("/api/room/history", tags=["room"], summary="All that was said of the room")
def room_history(service: TheService) -> History:
    """First entry first."""
    with service.database.read() as connection:
        return ROOMS.history(connection, the_room(connection).id)
