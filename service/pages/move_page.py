"""The page that moves trays: to a shelf or a position, several at once, or two that swap."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.api.dependencies import By, TheService
from service.context import Service
from service.models.base import Model, Moment
from service.models.room import Placement, TrayNumber
from service.pages import addresses, racks
from service.pages.filled import Choice, Filled
from service.pages.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.tray_numbers import in_words, registered_numbers, sentence, tray_numbers
from service.pages.words import Say
from service.refusals import Refusal
from service.room_changes import Move, move_trays, swap_trays
from service.room_log import the_room

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
def move_page(
    service: TheService,
    request: Request,
    tray: Annotated[list[TrayNumber] | None, Query(max_length=200)] = None,
) -> Response:
    """Asks which trays, and where they stand now."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        return _show(request, connection, say, Typed(), tuple(tray or ()))


@router.post(addresses.MOVE)
def post_move(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Moves them, all or none."""
    with service.database.read() as connection:
        say = Say(the_room(connection), by.at)
        standing = racks.racks_as_they_stand(connection)

    def act() -> Response:
        numbers = tray_numbers(typed)
        at = _form(say, typed).moment("placed_at")
        put = racks.placements_from(standing, typed.text("place"), len(numbers), at)
        moves = [Move(number, to) for number, to in zip(numbers, put, strict=True)]
        placed = move_trays(service, moves, by)
        first = racks.words_of(standing, placed[0].shelf_id, placed[0].position_id)
        on = "from" if len(placed) > 1 and placed[0].position_id is not None else "now"
        return _done(typed, numbers, f"{sentence(in_words(numbers))}: {on} {first}.", placed)

    return answered(typed, act, lambda said: _again(service, request, say, said))


@router.post(addresses.SWAP)
def post_swap(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Lets two trays change places."""
    with service.database.read() as connection:
        say = Say(the_room(connection), by.at)

    def act() -> Response:
        first, *more = tray_numbers(typed)
        second, *others = tray_numbers(typed, "swap_with")
        if more or others:
            raise Refusal("swap_with", "must be one tray each, got more")
        at = _SwapAt.model_validate({"placed_at": _form(say, typed).moment("placed_at")})
        placed = swap_trays(service, (first, second), at.placed_at, by)
        words = f"Trays {first} and {second} changed places."
        return _done(typed, (first,), words, placed)

    return answered(typed, act, lambda said: _again(service, request, say, said))


def _form(say: Say, typed: Typed, trays: tuple[int, ...] = ()) -> Filled:
    defaults = {"trays": ", ".join(map(str, trays)), "placed_at": say.field_moment()}
    return Filled(LABELS, defaults, typed)


def _done(typed: Typed, numbers: tuple[int, ...], words: str, placed: list[Placement]) -> Response:
    to = addresses.tray(numbers[0]) if len(numbers) == 1 else addresses.ROOM
    undo = [Entry("placement", one.entry_id) for one in placed]
    return done(addresses.own_path(typed.text("back") or to), words, undo=undo)


def _again(service: Service, request: Request, say: Say, typed: Typed) -> Response:
    with service.database.read() as connection:
        return _show(request, connection, say, typed, ())


def _show(
    request: Request,
    connection: sa.Connection,
    say: Say,
    typed: Typed,
    trays: tuple[int, ...],
) -> Response:
    to = addresses.tray(trays[0]) if len(trays) == 1 else addresses.ROOM
    page = MovePage(
        form=_form(say, typed, trays),
        places=racks.choices(racks.racks_as_they_stand(connection)),
        trays=registered_numbers(connection),
        back=addresses.own_path(typed.text("back") or to),
    )
    return show(request, connection, "move.html", page, here=addresses.ROOM)
