"""Trays: which numbers are in use, how large each is."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.room import NewTray, Tray, TrayChange
from service.pages import addresses
from service.pages.forms.forms import TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    number_ranges_in_words,
    shown_again,
    size_in_words,
    typed_size,
    typed_tray_numbers,
)
from service.room.room_log import register_tray, the_room, tray_numbered, trays_by_number
from service.room.things import TRAYS
from service.route_arguments import By, TheService
from trayvision.reference_kit import LAST_TRAY_NUMBER

router = APIRouter(include_in_schema=False)

TrayNumber = Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)]
_TRAY = f"{addresses.SET_UP_TRAYS}/{{number}}"


@dataclass(frozen=True)
class OwnTray:
    """A tray that has its own size or a note."""

    number: int
    size: str
    note: str


@dataclass(frozen=True)
class TraysPage:
    """Numbers in use and free, trays that differ, and the form of new ones."""

    numbers: tuple[int, ...]
    in_use: str
    free: str
    free_count: int
    room_size: str
    differing: tuple[OwnTray, ...]
    form: Fields


@dataclass(frozen=True)
class TrayPage:
    """One tray as registered."""

    number: int
    room_size: str
    size: str
    note: str
    form: Fields
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_TRAYS)
def trays_page(
    service: TheService,
    request: Request,
    numbers: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """All trays, and a form for a range of numbers, filled in with those that are asked for."""
    with service.database.read() as connection:
        return _show_trays(request, connection, NOTHING_SAID, asked=numbers)


@router.post(addresses.SET_UP_TRAYS)
def post_trays(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Registers a range of trays of one size."""

    def act() -> Response:
        numbers = typed_tray_numbers(typed, "numbers")
        size = typed_size(typed)
        with service.database.write() as connection:
            taken = sorted(set(numbers) & trays_by_number(connection).keys())
            if taken:
                raise Refusal(
                    "numbers", f"must be free, but {number_ranges_in_words(taken)} are in use"
                )
            new = [
                NewTray.model_validate({"number": number, "size": size, "note": typed.text("note")})
                for number in numbers
            ]
            ids = [
                register_tray(connection, one.number, by=by, size=one.size, note=one.note)
                for one in new
            ]
            entries = [Entry("tray", TRAYS.get(connection, key).entry_id) for key in ids]
        said = f"Registered: {number_ranges_in_words(numbers)}. Now print their kits."
        to_print = [("trays", number_ranges_in_words(numbers).replace("–", "-"))]
        return done(addresses.with_query(addresses.SET_UP_KIT, to_print), said, undo=entries)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_trays(request, connection, said)

    return answered(typed, act, shown_again(service, "new", shown))


@router.get(_TRAY)
def tray_page(service: TheService, request: Request, number: TrayNumber) -> Response:
    """One tray's size and note."""
    with service.database.read() as connection:
        return _show_tray(request, connection, number)


@router.post(_TRAY)
def post_tray(
    service: TheService, by: By, request: Request, number: TrayNumber, typed: TypedForm
) -> Response:
    """Corrects a tray's size or note; its number is printed on it and stays."""

    def act() -> Response:
        change = TrayChange.model_validate({"size": typed_size(typed), "note": typed.text("note")})
        with service.database.write() as connection:
            tray_id = tray_numbered(connection, number)["id"]
            out = TRAYS.correct(connection, tray_id, change, by)
        undo = [Entry("tray", out.entry_id)]
        return done(addresses.SET_UP_TRAYS, f"Tray {number} is corrected.", undo=undo)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_tray(request, connection, number, said)

    return answered(typed, act, shown_again(service, "form", shown))


def _show_trays(
    request: Request, connection: sa.Connection, said: Said, *, asked: str = ""
) -> Response:
    room = the_room(connection)
    registered = trays_by_number(connection)
    numbers = tuple(registered)
    differing = tuple(
        OwnTray(
            number,
            "" if row["size"] is None else size_in_words(row["size"], room.length_unit),
            row["note"] or "",
        )
        for number, row in registered.items()
        if row["size"] is not None or row["note"] is not None
    )
    free = sorted(set(range(LAST_TRAY_NUMBER + 1)) - set(numbers))
    page = TraysPage(
        numbers,
        number_ranges_in_words(numbers),
        number_ranges_in_words(free),
        len(free),
        size_in_words(room.tray_size, room.length_unit),
        differing,
        said.fields(
            "new", {"numbers": asked or ("" if numbers else "1-12"), "tray_size_unit": "mm"}
        ),
    )
    return show(request, connection, "set_up/trays.html", page, here=addresses.MORE)


def _show_tray(
    request: Request, connection: sa.Connection, number: int, said: Said = NOTHING_SAID
) -> Response:
    room = the_room(connection)
    tray = TRAYS.get(connection, tray_numbered(connection, number)["id"])
    assert isinstance(tray, Tray)
    held = {"tray_size": tray.size or "", "tray_size_unit": "mm", "note": tray.note or ""}
    page = TrayPage(
        number,
        size_in_words(room.tray_size, room.length_unit),
        size_in_words(tray.size or room.tray_size, room.length_unit),
        tray.note or "",
        said.fields("form", held),
        said.broken,
    )
    return show(request, connection, "set_up/tray.html", page, here=addresses.MORE)
