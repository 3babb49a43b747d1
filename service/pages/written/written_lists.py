"""Lists of what was written that belongs to no run: air, chores, a tray's places and states."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.log.entries import last_histories_of
from service.models.base import Entered
from service.pages import addresses
from service.pages.frame import show
from service.pages.words import Say
from service.pages.written.written import (
    CHORES,
    PLACEMENTS,
    READINGS,
    STATES,
    TABLES,
    Names,
    Written,
    all_written,
    words_of,
)
from service.room.resources import Resource
from service.room.room_log import the_room, tray_numbered
from service.room.things import CHORES as CHORES_OF_THE_LOG
from service.room.things import READINGS as READINGS_OF_THE_LOG
from service.route_arguments import TheService
from trayvision.reference_kit import LAST_TRAY_NUMBER

router = APIRouter(include_in_schema=False)

_AT_ONCE: Final = 30
_Skipped = Annotated[int, Query(ge=0, le=1_000_000)]


@dataclass(frozen=True)
class Line:
    """One thing as it holds now, and what a link to it is called: `kind` and `id` lead there."""

    kind: str
    id: int
    words: str


@dataclass(frozen=True)
class Lines:
    """Some of a kind's things, the last one first, and the address of those before them."""

    lines: tuple[Line, ...]
    earlier: str


@dataclass(frozen=True)
class RoomWritten:
    """Air and chores as they were written down."""

    air: Lines
    chores: Lines


@dataclass(frozen=True)
class Things:
    """Some things of a kind with all entries, the last first, and the address of those before."""

    kind: str
    things: tuple[Written, ...]
    earlier: str


@dataclass(frozen=True)
class TrayWritten:
    """Where a tray stood and what was said of it."""

    tray: int
    places: Things
    states: Things


@router.get(addresses.WRITTEN)
def room_written(
    service: TheService, request: Request, air: _Skipped = 0, chores: _Skipped = 0
) -> Response:
    """Air and chores, the last ones first; `air` and `chores` leave out so many."""
    with service.database.read() as connection:
        names = Names(connection, Say(the_room(connection), service.clock()))
        page = RoomWritten(
            _lines(connection, READINGS, READINGS_OF_THE_LOG, names, air),
            _lines(connection, CHORES, CHORES_OF_THE_LOG, names, chores),
        )
        return show(request, connection, "written/room_written.html", page, here=addresses.ROOM)


@router.get("/trays/{number}/written")
def tray_written(
    service: TheService,
    request: Request,
    number: Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)],
    places: _Skipped = 0,
    states: _Skipped = 0,
) -> Response:
    """Where it stood, and when it was washed or put away; `places`, `states` leave out so many."""
    with service.database.read() as connection:
        names = Names(connection, Say(the_room(connection), service.clock()))
        tray_id = tray_numbered(connection, number)["id"]
        address = addresses.tray_written(number)

        def things(name: str, kind: str, skipped: int) -> Things:
            rows = last_histories_of(
                connection, TABLES[kind], "tray_id", tray_id, skipped=skipped, most=_AT_ONCE + 1
            )
            found = all_written(kind, rows, names)
            earlier = _earlier(address, name, kind, skipped) if len(found) > _AT_ONCE else ""
            return Things(kind, tuple(found[:_AT_ONCE]), earlier)

        page = TrayWritten(
            number,
            things("places", PLACEMENTS, places),
            things("states", STATES, states),
        )
        return show(request, connection, "written/tray_written.html", page, here=addresses.ROOM)


def _lines(
    connection: sa.Connection, kind: str, resource: Resource, names: Names, skipped: int
) -> Lines:
    found: Sequence[Entered] = resource.all(connection, limit=_AT_ONCE + 1, offset=skipped)
    lines = tuple(
        Line(kind, one.id, words_of(kind, one.model_dump(), names, ())) for one in found[:_AT_ONCE]
    )
    name = "air" if kind == READINGS else kind
    more = len(found) > _AT_ONCE
    return Lines(lines, _earlier(addresses.WRITTEN, name, kind, skipped) if more else "")


def _earlier(path: str, name: str, kind: str, skipped: int) -> str:
    """Where the ones before those that are shown stand."""
    return f"{addresses.with_query(path, [(name, skipped + _AT_ONCE)])}#{kind}"
