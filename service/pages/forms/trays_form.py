"""What forms about several trays share: which trays, since when, and where they lead back to."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import Query, Request
from starlette.responses import Response

from service.context import Service
from service.log.entries import Entrant
from service.models.room import TrayNumber
from service.pages import addresses
from service.pages.forms.clock_changes import twice_words
from service.pages.forms.forms import Typed, answered
from service.pages.notices import Entry, done
from service.pages.words import Say
from service.room.room_log import the_room

# Trays as an address names them: ?tray=3&tray=4.
NamedTrays = Annotated[list[TrayNumber] | None, Query(alias="tray", max_length=200)]


@dataclass(frozen=True)
class Asked:
    """What a form is shown with.

    Parameters
    ----------
    say : Say
    typed : Typed
        What was typed, where the form is shown again.
    trays : tuple of int
        Numbers that the address names.
    came_from : str
        Address of the page that led here, where that says so.
    """

    say: Say
    typed: Typed
    trays: tuple[int, ...] = ()
    came_from: str = ""

    @property
    def named(self) -> str:
        """The trays as somebody would type them."""
        return ", ".join(map(str, self.trays))

    @property
    def back(self) -> str:
        """Address to go on to once it is written down."""
        return _onward(self.typed.text("back") or self.came_from, self.trays)


@dataclass(frozen=True)
class WrittenDown:
    """What a form wrote down: of which trays, in a sentence, and what takes it back."""

    trays: Sequence[int]
    words: str
    undo: Sequence[Entry]


@dataclass(frozen=True)
class TraysForm:
    """A form about several trays, in one request.

    Parameters
    ----------
    service : Service
    request : Request
    show : callable
        ``show(request, connection, asked)`` makes its page.
    """

    service: Service
    request: Request
    show: Callable[[Request, sa.Connection, Asked], Response]

    def asked(self, trays: Sequence[int] | None) -> Response:
        """The form, with the trays that the address names."""
        with self.service.database.read() as connection:
            say = Say(the_room(connection), self.service.clock())
            came_from = self.request.query_params.get("back", "")
            asked = Asked(say, Typed(), tuple(trays or ()), came_from)
            return self.show(self.request, connection, asked)

    def sent(self, typed: Typed, by: Entrant, write: Callable[[Say], WrittenDown]) -> Response:
        """Write down what was sent, and go on to where it came from.

        Parameters
        ----------
        typed : Typed
        by : Entrant
        write : callable
            May raise Refusal and ValidationError: then the form is shown again with the rule.
        """
        with self.service.database.read() as connection:
            say = Say(the_room(connection), by.at)

        def act() -> Response:
            written = write(say)
            to = _onward(typed.text("back"), written.trays)
            words = written.words + twice_words(typed, say)
            return done(to, words, undo=written.undo)

        def again(said: Typed) -> Response:
            with self.service.database.read() as connection:
                return self.show(self.request, connection, Asked(say, said))

        return answered(typed, act, again)


def _onward(back: str | None, trays: Sequence[int]) -> str:
    to = addresses.tray(trays[0]) if len(trays) == 1 else addresses.ROOM
    return addresses.own_path(back or to)
