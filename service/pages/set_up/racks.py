"""Racks, shelves and the places on them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.base import LARGEST_ID
from service.models.room import NewRack, Rack, RackChange, Shelf
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    shown_again,
    typed_count,
)
from service.pages.set_up.rack_changes import (
    MOST_PLACES,
    MOST_SHELVES,
    add_rack,
    add_shelves,
    order_shelves,
    places_by_shelf,
    shelves_of,
    withdraw_rack,
)
from service.photos.ingest import tell_watchers
from service.room.things import RACKS, SHELVES
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

RackId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_ALL = 1000
_RACK = f"{addresses.SET_UP_RACKS}/{{rack_id}}"


@dataclass(frozen=True)
class RackRow:
    """A rack and its shelves, each with its number of places."""

    rack: Rack
    shelves: tuple[tuple[Shelf, int], ...]


@dataclass(frozen=True)
class RacksPage:
    """All racks, and the form of a new one."""

    racks: tuple[RackRow, ...]
    form: Fields


@dataclass(frozen=True)
class RackPage:
    """One rack: its own form, the order of its shelves, and further ones."""

    row: RackRow
    form: Fields
    order: Fields
    more: Fields
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_RACKS)
def racks_page(service: TheService, request: Request) -> Response:
    """All racks, and a form for a rack with all its shelves and places."""
    with service.database.read() as connection:
        return _show_racks(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_RACKS)
def post_rack(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Enters a rack, its shelves and their places at once."""

    def act() -> Response:
        new = typed.read(NewRack, "name", "note")
        shelves = typed_count(typed, "shelves", low=0, high=MOST_SHELVES) or 0
        places = typed_count(typed, "places", low=0, high=MOST_PLACES) or 0
        rack, entries = add_rack(service, new, shelves=shelves, places=places, by=by)
        said = f"{rack.name} is entered with {_count(shelves, 'shelf', 'shelves')}"
        said += f" of {_count(places, 'place', 'places')}." if shelves else "."
        # Not to its own page: an undo leads back to where it stood.
        return done(addresses.SET_UP_RACKS, said, undo=entries)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_racks(request, connection, said)

    return answered(typed, act, shown_again(service, "new", shown))


@router.get(_RACK)
def rack_page(service: TheService, request: Request, rack_id: RackId) -> Response:
    """One rack and its shelves."""
    with service.database.read() as connection:
        return _show_rack(request, connection, rack_id)


@router.post(_RACK)
def patch_rack(
    service: TheService, by: By, request: Request, rack_id: RackId, typed: TypedForm
) -> Response:
    """Renames a rack or changes its note."""

    def act() -> Response:
        change = RackChange.model_validate({"name": typed.text("name"), "note": typed.text("note")})
        with service.database.write() as connection:
            out = RACKS.correct(connection, rack_id, change, by)
        tell_watchers(service, ())
        entry = Entry("rack", out.entry_id)
        return done(f"{addresses.SET_UP_RACKS}/{rack_id}", "The rack is corrected.", undo=[entry])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_rack(request, connection, rack_id, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.post(f"{_RACK}/shelves")
def post_shelves(
    service: TheService, by: By, request: Request, rack_id: RackId, typed: TypedForm
) -> Response:
    """Enters further shelves below the last one."""

    def act() -> Response:
        shelves = typed_count(typed, "shelves", low=1, high=MOST_SHELVES)
        if shelves is None:
            raise Refusal("shelves", "must be given: how many?")
        places = typed_count(typed, "places", low=0, high=MOST_PLACES) or 0
        entries = add_shelves(service, rack_id, shelves=shelves, places=places, by=by)
        to = f"{addresses.SET_UP_RACKS}/{rack_id}"
        return done(to, f"{shelves} more, below the others.", undo=entries)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_rack(request, connection, rack_id, said)

    return answered(typed, act, shown_again(service, "more", shown))


@router.post(f"{_RACK}/order")
def post_order(
    service: TheService, by: By, request: Request, rack_id: RackId, typed: TypedForm
) -> Response:
    """Gives the shelves their numbers from the top."""

    def act() -> Response:
        with service.database.read() as connection:
            shelves = shelves_of(connection, rack_id)
        levels = {shelf.id: _typed_level(typed, shelf) for shelf in shelves}
        entries = order_shelves(service, levels, rack_id, by)
        said = "The shelves have their new order." if entries else "The order was so already."
        return done(f"{addresses.SET_UP_RACKS}/{rack_id}", said, undo=entries)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_rack(request, connection, rack_id, said)

    return answered(typed, act, shown_again(service, "order", shown))


@router.post(f"{_RACK}/withdraw")
def post_withdraw_rack(
    service: TheService, by: By, request: Request, rack_id: RackId, typed: TypedForm
) -> Response:
    """Takes a rack with its shelves and places out of the list."""

    def act() -> Response:
        entries = withdraw_rack(service, rack_id, by)
        return done(addresses.SET_UP_RACKS, "The rack is out of the list.", undo=entries)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_rack(request, connection, rack_id, said)

    return answered(typed, act, shown_again(service, "withdrawn", shown))


def _typed_level(typed: Typed, shelf: Shelf) -> int:
    try:
        level = typed_count(typed, f"level-{shelf.id}", low=1, high=1000)
    except Refusal as refusal:
        # The field's own name is a number that nobody knows.
        raise Refusal(f"number of {shelf.name}", refusal.rule) from refusal
    return shelf.level if level is None else level


def _show_racks(request: Request, connection: sa.Connection, said: Said) -> Response:
    places = places_by_shelf(connection)
    shelves = [one for one in SHELVES.all(connection, limit=_ALL) if isinstance(one, Shelf)]
    shelves.sort(key=lambda shelf: (shelf.level, shelf.id))
    rows = tuple(
        RackRow(
            rack,
            tuple(
                (shelf, places.get(shelf.id, 0)) for shelf in shelves if shelf.rack_id == rack.id
            ),
        )
        for rack in RACKS.all(connection, limit=_ALL)
        if isinstance(rack, Rack)
    )
    page = RacksPage(rows, said.fields("new", {"shelves": "6", "places": "12"}))
    return show(request, connection, "set_up/racks.html", page, here=addresses.MORE)


def _show_rack(
    request: Request, connection: sa.Connection, rack_id: int, said: Said = NOTHING_SAID
) -> Response:
    rack = RACKS.get(connection, rack_id)
    assert isinstance(rack, Rack)
    places = places_by_shelf(connection)
    shelves = tuple((one, places.get(one.id, 0)) for one in shelves_of(connection, rack_id))
    page = RackPage(
        RackRow(rack, shelves),
        said.fields("form", {"name": rack.name, "note": rack.note or ""}),
        said.fields("order", {f"level-{shelf.id}": str(shelf.level) for shelf, _ in shelves}),
        said.fields("more", {"shelves": "1", "places": "12"}),
        said.broken,
    )
    return show(request, connection, "set_up/rack.html", page, here=addresses.MORE)


def _count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"
