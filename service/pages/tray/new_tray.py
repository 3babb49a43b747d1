"""The page that registers a tray by the number on its kit."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.entries import history
from service.log.refusals import Refusal
from service.log.schema import TRAY
from service.models.room import NewTray
from service.pages import addresses
from service.pages.forms.filled import Filled
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.forms.tray_numbers import tray_numbers
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.room.room_log import register_tray
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

LABELS: Final[Mapping[str, str]] = {
    "number": "Number on the kit",
    "size": "Inner size",
    "note": "Note",
}


@dataclass(frozen=True)
class NewTrayPage:
    """The form that registers a tray."""

    form: Filled


@router.get(addresses.NEW_TRAY)
def new_tray_page(service: TheService, request: Request) -> Response:
    """Asks for number and size."""
    with service.database.read() as connection:
        return _show(request, connection, Typed())


@router.post(addresses.NEW_TRAY)
def post_new_tray(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Registers it."""

    def act() -> Response:
        number, *more = tray_numbers(typed, "number")
        if more:
            raise Refusal("number", f"must be one tray's, got {len(more) + 1}")
        new = typed.read(NewTray, "size", "note", number=number)
        with service.database.write() as connection:
            tray_id = register_tray(connection, number, by=by, size=new.size, note=new.note)
            entry_id = history(connection, TRAY, tray_id)[-1]["id"]
        words = f"Tray {number} registered. It is empty and stands on no shelf yet."
        return done(addresses.ROOM, words, undo=[Entry("tray", entry_id)])

    def again(said: Typed) -> Response:
        with service.database.read() as connection:
            return _show(request, connection, said)

    return answered(typed, act, again)


def _show(request: Request, connection: sa.Connection, typed: Typed) -> Response:
    page = NewTrayPage(Filled(LABELS, {}, typed))
    return show(request, connection, "tray/new_tray.html", page, here=addresses.ROOM)
