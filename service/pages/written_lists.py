"""Lists of what was written that belongs to no run: air, chores, a tray's places and states."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.api.dependencies import TheService
from service.models.base import Entered
from service.pages import addresses
from service.pages.frame import show
from service.pages.words import Say
from service.pages.written import (
    CHORES,
    PLACEMENTS,
    READINGS,
    STATES,
    Names,
    Written,
    words_of,
    written_where,
)
from service.resources import Resource
from service.room_log import the_room, tray_numbered
from service.schema import PLACEMENT, TRAY_STATE
from service.things import CHORES as CHORES_OF_THE_LOG
from service.things import READINGS as READINGS_OF_THE_LOG
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
class TrayWritten:
    """Where a tray stood and what was said of it, the last written first."""

    tray: int
    things: tuple[Written, ...]


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
        return show(request, connection, "room_written.html", page, here=addresses.ROOM)


@router.get("/trays/{number}/written")
def tray_written(
    service: TheService, request: Request, number: Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)]
) -> Response:
    """Where it stood, and when it was washed or put away, also between its runs."""
    with service.database.read() as connection:
        names = Names(connection, Say(the_room(connection), service.clock()))
        tray_id = tray_numbered(connection, number)["id"]
        things = (
            *written_where(connection, PLACEMENTS, PLACEMENT.c.tray_id == tray_id, names),
            *written_where(connection, STATES, TRAY_STATE.c.tray_id == tray_id, names),
        )
        page = TrayWritten(number, things)
        return show(request, connection, "tray_written.html", page, here=addresses.ROOM)


def _lines(
    connection: sa.Connection, kind: str, resource: Resource, names: Names, skipped: int
) -> Lines:
    found: Sequence[Entered] = resource.all(connection, limit=_AT_ONCE + 1, offset=skipped)
    lines = tuple(
        Line(kind, one.id, words_of(kind, one.model_dump(), names, ())) for one in found[:_AT_ONCE]
    )
    before = [("air" if kind == READINGS else kind, skipped + _AT_ONCE)]
    more = len(found) > _AT_ONCE
    return Lines(lines, f"{addresses.with_query(addresses.WRITTEN, before)}#{kind}" if more else "")
