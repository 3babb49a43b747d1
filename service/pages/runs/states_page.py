"""The page that says that trays rest after washing, are empty, or are out of use."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.room import NewTrayState, RestState
from service.pages import addresses
from service.pages.forms.filled import Choice, Filled
from service.pages.forms.forms import TypedForm
from service.pages.forms.tray_numbers import (
    growing_numbers,
    in_words,
    registered_numbers,
    sentence,
    tray_numbers,
)
from service.pages.forms.trays_form import Asked, NamedTrays, TraysForm, WrittenDown
from service.pages.frame import show
from service.pages.notices import Entry
from service.pages.words import Say
from service.room.room_changes import say_state
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

LABELS: Final[Mapping[str, str]] = {
    "trays": "Trays",
    "tray": "Tray",
    "state": "What they are",
    "since_at": "Since",
}
STATES: Final = (
    Choice(RestState.RESTING, "washed and at rest"),
    Choice(RestState.EMPTY, "empty, ready to fill"),
    Choice(RestState.RETIRED, "out of use"),
)
_NOW: Final = {
    RestState.RESTING: "washed and at rest",
    RestState.EMPTY: "empty",
    RestState.RETIRED: "out of use",
}


@dataclass(frozen=True)
class StatesPage:
    """The form that says what trays are while they do not grow.

    Parameters
    ----------
    form : Filled
    trays : tuple of int
        Numbers of trays in which nothing grows, to tick.
    back : str
        Address to go on to.
    """

    form: Filled
    trays: tuple[int, ...]
    back: str


@router.get(addresses.STATES)
def states_page(service: TheService, request: Request, trays: NamedTrays = None) -> Response:
    """Asks which trays, and what they are."""
    return TraysForm(service, request, _show).asked(trays)


@router.post(addresses.STATES)
def post_states(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Says it of all of them, or of none."""

    def write(say: Say) -> WrittenDown:
        numbers = tray_numbers(typed)
        if typed.text("state") is None:
            raise Refusal("state", "must be chosen, got nothing")
        since_at = _form(Asked(say, typed)).moment("since_at")
        new = typed.read(NewTrayState, "state", since_at=since_at)
        undo = [Entry("tray_state", one.entry_id) for one in say_state(service, numbers, new, by)]
        return WrittenDown(numbers, f"{sentence(in_words(numbers))}: {_NOW[new.state]}.", undo)

    return TraysForm(service, request, _show).sent(typed, by, write)


def _form(asked: Asked) -> Filled:
    defaults = {
        "trays": asked.named,
        "state": RestState.RESTING,
        "since_at": asked.say.field_moment(),
    }
    return Filled(LABELS, defaults, asked.typed, choices={"state": STATES})


def _show(request: Request, connection: sa.Connection, asked: Asked) -> Response:
    growing = growing_numbers(connection, asked.say.now)
    page = StatesPage(
        form=_form(asked),
        trays=tuple(one for one in registered_numbers(connection) if one not in growing),
        back=asked.back,
    )
    return show(request, connection, "runs/states.html", page, here=addresses.ROOM)
