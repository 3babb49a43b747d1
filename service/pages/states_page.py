"""The page that says that trays rest after washing, are empty, or are out of use."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.api.dependencies import By, TheService
from service.models.room import NewTrayState, RestState, TrayNumber
from service.pages import addresses
from service.pages.filled import Choice, Filled
from service.pages.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.tray_numbers import in_words, registered_numbers, sentence, tray_numbers
from service.pages.words import Say
from service.refusals import Refusal
from service.room_changes import say_state
from service.room_log import the_room
from service.run_calendar import present_run, run_calendar

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
def states_page(
    service: TheService,
    request: Request,
    tray: Annotated[list[TrayNumber] | None, Query(max_length=200)] = None,
) -> Response:
    """Asks which trays, and what they are."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        return _show(request, connection, say, Typed(), tuple(tray or ()))


@router.post(addresses.STATES)
def post_states(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Says it of all of them, or of none."""
    with service.database.read() as connection:
        say = Say(the_room(connection), by.at)

    def act() -> Response:
        numbers = tray_numbers(typed)
        if typed.text("state") is None:
            raise Refusal("state", "must be chosen, got nothing")
        new = typed.read(NewTrayState, "state", since_at=_form(say, typed).moment("since_at"))
        said = say_state(service, numbers, new, by)
        to = addresses.tray(numbers[0]) if len(numbers) == 1 else addresses.ROOM
        return done(
            addresses.own_path(typed.text("back") or to),
            f"{sentence(in_words(numbers))}: {_NOW[new.state]}.",
            undo=[Entry("tray_state", one.entry_id) for one in said],
        )

    def again(said: Typed) -> Response:
        with service.database.read() as connection:
            return _show(request, connection, say, said, ())

    return answered(typed, act, again)


def _form(say: Say, typed: Typed, trays: tuple[int, ...] = ()) -> Filled:
    defaults = {
        "trays": ", ".join(map(str, trays)),
        "state": RestState.RESTING,
        "since_at": say.field_moment(),
    }
    return Filled(LABELS, defaults, typed, choices={"state": STATES})


def _show(
    request: Request,
    connection: sa.Connection,
    say: Say,
    typed: Typed,
    trays: tuple[int, ...],
) -> Response:
    growing = {
        spans[0].number
        for spans in run_calendar(connection).by_tray.values()
        if present_run(spans, say.now) is not None
    }
    to = addresses.tray(trays[0]) if len(trays) == 1 else addresses.ROOM
    page = StatesPage(
        form=_form(say, typed, trays),
        trays=tuple(one for one in registered_numbers(connection) if one not in growing),
        back=addresses.own_path(typed.text("back") or to),
    )
    return show(request, connection, "states.html", page, here=addresses.ROOM)
