"""What can go on paper."""

from dataclasses import dataclass
from datetime import timedelta

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.pages import addresses
from service.pages.frame import show
from service.pages.words import Say
from service.room.room_log import the_room
from service.route_arguments import TheService


@dataclass(frozen=True)
class PrintIndex:
    """Days to come of which the round can be printed: what they are called, and their dates."""

    days: tuple[tuple[str, str], ...]


router = APIRouter(include_in_schema=False)


@router.get(addresses.PRINT)
def print_index(service: TheService, request: Request) -> Response:
    """The round, labels, a report."""
    with service.database.read() as connection:
        today = Say(the_room(connection), service.clock()).today
        days = (
            ("tomorrow", today + timedelta(days=1)),
            ("the day after", today + timedelta(days=2)),
        )
        page = PrintIndex(tuple((name, day.isoformat()) for name, day in days))
        return show(request, connection, "printed/print.html", page, here=addresses.MORE)
