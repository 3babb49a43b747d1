"""The page that moves trays: to a shelf or a position, several at once, or two that swap."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.base import Model, Moment
from service.models.room import Placement
from service.pages import addresses
from service.pages.forms.filled import Choice, Filled
from service.pages.forms.forms import TypedForm
from service.pages.forms.tray_numbers import in_words, registered_numbers, sentence, tray_numbers
from service.pages.forms.trays_form import Asked, NamedTrays, TraysForm, WrittenDown
from service.pages.frame import show
from service.pages.notices import Entry
from service.pages.room import racks
from service.pages.words import Say
from service.room.rack_log import racks_as_they_stand
from service.room.room_changes import Move, move_trays, swap_trays
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

LABELS: Final[Mapping[str, str]] = {
    "trays": "Trays",
    "tray": "Tray",
    "place": "Where they stand",
    "placed_at": "Since",
    "swap_with": "Changed places with",
}


class _SwapAt(Model):
    placed_at: Moment | None = None


@dataclass(frozen=True)
class MovePage:
    """The form that moves trays, and the one that swaps two.

    Parameters
    ----------
    form : Filled
    places : tuple of Choice
        Shelves and positions as they stand.
    trays : tuple of int
        Numbers that can be ticked.
    back : str
        Address to go on to.
    """

    form: Filled
    places: tuple[Choice, ...]
    trays: tuple[int, ...]
    back: str


@router.get(addresses.MOVE)
def move_page(service: TheService, request: Request, trays: NamedTrays = None) -> Response:
    """Asks which trays, and where they stand now."""
    return TraysForm(service, request, _show).asked(trays)


@router.post(addresses.MOVE)
def post_move(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Moves them, all or none."""

    def write(say: Say) -> WrittenDown:
        with service.database.read() as connection:
            standing = racks_as_they_stand(connection)
        numbers = tray_numbers(typed)
        at = _form(Asked(say, typed)).moment("placed_at")
        put = racks.placements_from(standing, typed.text("place"), len(numbers), at)
        moves = [Move(number, to) for number, to in zip(numbers, put, strict=True)]
        placed = move_trays(service, moves, by)
        with service.database.read() as connection:
            words = f"{sentence(in_words(numbers))}: {racks.places_words(connection, placed)}."
            words += racks.also_there(connection, placed, now=by.at)
        return WrittenDown(numbers, words, _entries(placed))

    return TraysForm(service, request, _show).sent(typed, by, write)


@router.post(addresses.SWAP)
def post_swap(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Lets two trays change places."""

    def write(say: Say) -> WrittenDown:
        first, *more = tray_numbers(typed)
        second, *others = tray_numbers(typed, "swap_with")
        if more or others:
            raise Refusal("swap_with", "must be one tray each, got more")
        form = _form(Asked(say, typed))
        at = _SwapAt.model_validate({"placed_at": form.moment("placed_at")})
        placed = swap_trays(service, (first, second), at.placed_at, by)
        words = f"Trays {first} and {second} changed places."
        return WrittenDown((first,), words, _entries(placed))

    return TraysForm(service, request, _show).sent(typed, by, write)


def _entries(placed: list[Placement]) -> list[Entry]:
    return [Entry("placement", one.entry_id) for one in placed]


def _form(asked: Asked) -> Filled:
    defaults = {"trays": asked.named, "placed_at": asked.say.field_moment()}
    return Filled(LABELS, defaults, asked.typed)


def _show(request: Request, connection: sa.Connection, asked: Asked) -> Response:
    page = MovePage(
        form=_form(asked),
        places=racks.place_choices(connection),
        trays=registered_numbers(connection),
        back=asked.back,
    )
    return show(request, connection, "runs/move.html", page, here=addresses.ROOM)
