"""One shelf: its name, its level, its water, and the places on it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.context import Service
from service.log.refusals import Refusal
from service.models.base import LARGEST_ID
from service.models.room import Position, Rack, Shelf, ShelfChange
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import NOTHING_SAID, Fields, Said, shown_again, typed_count
from service.pages.set_up.rack_changes import (
    MOST_PLACES,
    add_places,
    name_places,
    positions_of,
    withdraw_shelf,
)
from service.photos.ingest import tell_watchers
from service.room.things import RACKS, SHELVES
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

ShelfId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_ALL = 1000
_SHELF = f"{addresses.SET_UP_SHELVES}/{{shelf_id}}"


@dataclass(frozen=True)
class ShelfPage:
    """One shelf: its own form, the names of its places, and further ones."""

    shelf: Shelf
    rack: Rack
    racks: tuple[tuple[str, str], ...]
    positions: tuple[Position, ...]
    form: Fields
    names: Fields
    more: Fields
    broken: Mapping[str, str]


@router.get(_SHELF)
def shelf_page(service: TheService, request: Request, shelf_id: ShelfId) -> Response:
    """One shelf and its places."""
    with service.database.read() as connection:
        return _show(request, connection, shelf_id)


@router.post(_SHELF)
def post_shelf(
    service: TheService, by: By, request: Request, shelf_id: ShelfId, typed: TypedForm
) -> Response:
    """Renames a shelf, moves it, or says which water it gets."""

    def act() -> Response:
        change = typed.read(
            ShelfChange,
            *("rack_id", "name", "level"),
            water_path=typed.text("water_path"),
            note=typed.text("note"),
        )
        with service.database.write() as connection:
            out = SHELVES.correct(connection, shelf_id, change, by)
        tell_watchers(service, ())
        undo = [Entry("shelf", out.entry_id)]
        return done(_address(shelf_id), "The shelf is corrected.", undo=undo)

    return answered(typed, act, _again(service, request, shelf_id, "form"))


@router.post(f"{_SHELF}/positions")
def post_positions(
    service: TheService, by: By, request: Request, shelf_id: ShelfId, typed: TypedForm
) -> Response:
    """Enters further places."""

    def act() -> Response:
        places = typed_count(typed, "places", low=1, high=MOST_PLACES)
        if places is None:
            raise Refusal("places", "must be given: how many?")
        entries = add_places(service, shelf_id, places=places, by=by)
        return done(_address(shelf_id), f"{places} places more.", undo=entries)

    return answered(typed, act, _again(service, request, shelf_id, "more"))


@router.post(f"{_SHELF}/names")
def post_names(
    service: TheService, by: By, request: Request, shelf_id: ShelfId, typed: TypedForm
) -> Response:
    """Renames places, and withdraws those whose name was cleared."""

    def act() -> Response:
        with service.database.read() as connection:
            there = [position.id for position in positions_of(connection, shelf_id)]
        names = {key: typed.text(f"name-{key}") for key in there if f"name-{key}" in typed.form}
        entries = name_places(service, shelf_id, names, by)
        said = "The places are renamed." if entries else "The names were so already."
        return done(_address(shelf_id), said, undo=entries)

    return answered(typed, act, _again(service, request, shelf_id, "names"))


@router.post(f"{_SHELF}/withdraw")
def post_withdraw_shelf(
    service: TheService, by: By, request: Request, shelf_id: ShelfId, typed: TypedForm
) -> Response:
    """Takes a shelf and its places out of the list."""

    def act() -> Response:
        with service.database.read() as connection:
            shelf = SHELVES.get(connection, shelf_id)
        assert isinstance(shelf, Shelf)
        entries = withdraw_shelf(service, shelf_id, by)
        to = f"{addresses.SET_UP_RACKS}/{shelf.rack_id}"
        return done(to, f"{shelf.name} is out of the list.", undo=entries)

    return answered(typed, act, _again(service, request, shelf_id, "withdraw"))


def _address(shelf_id: int) -> str:
    return f"{addresses.SET_UP_SHELVES}/{shelf_id}"


def _again(
    service: Service, request: Request, shelf_id: int, form: str
) -> Callable[[Typed], Response]:
    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show(request, connection, shelf_id, said)

    return shown_again(service, form, shown)


def _show(
    request: Request, connection: sa.Connection, shelf_id: int, said: Said = NOTHING_SAID
) -> Response:
    shelf = SHELVES.get(connection, shelf_id)
    assert isinstance(shelf, Shelf)
    racks = [one for one in RACKS.all(connection, limit=_ALL) if isinstance(one, Rack)]
    rack = next(one for one in racks if one.id == shelf.rack_id)
    positions = positions_of(connection, shelf_id)
    held = {
        "rack_id": str(shelf.rack_id),
        "name": shelf.name,
        "level": str(shelf.level),
        "water_path": shelf.water_path or "",
        "note": shelf.note or "",
    }
    page = ShelfPage(
        shelf,
        rack,
        tuple((str(one.id), one.name) for one in racks),
        tuple(positions),
        said.fields("form", held),
        said.fields("names", {f"name-{one.id}": one.name for one in positions}),
        said.fields("more", {"places": "1"}),
        said.broken,
    )
    return show(request, connection, "set_up/shelf.html", page, here=addresses.MORE)
