"""The page that writes down that a part of a tray was put into another tray."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.flags.holds import is_held
from service.log.refusals import Refusal
from service.models.runs import NewSplit, Run
from service.pages import addresses
from service.pages.forms.clock_changes import twice_words
from service.pages.forms.filled import Choice, Filled
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.forms.tray_numbers import (
    growing_numbers,
    new_numbers_words,
    registered_numbers,
    tray_numbers,
)
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.runs.harvesting import RunId
from service.pages.words import Say
from service.room.room_log import the_room
from service.route_arguments import By, TheService
from service.runs.run_calendar import span_of
from service.runs.run_log import run_out
from service.runs.run_splitting import split_run

router = APIRouter(include_in_schema=False)

_LABELS: Mapping[str, str] = {
    "tray": "Into tray",
    "share": "How much of it",
    "split_at": "Put over",
}
# The number of the tray whose run may end, so that a tick for one says nothing of another.
_ENDS: Final = "ends"
_SHARES: Final = (
    Choice("0.25", "a quarter"),
    Choice("0.333", "a third"),
    Choice("0.5", "half"),
    Choice("0.667", "two thirds"),
    Choice("0.75", "three quarters"),
)


@dataclass(frozen=True)
class SplitPage:
    """The form that splits one run's tray.

    Parameters
    ----------
    run : Run
    on_hold : bool
        An open flag asks to hold its tray from feeding.
    form : Filled
    free : tuple of int
        Registered trays in which nothing grows.
    ends : int or None
        The tray that was typed and in which something grows: asked about before that ends.
    back : str
        Address to go on to.
    """

    run: Run
    on_hold: bool
    form: Filled
    free: tuple[int, ...]
    ends: int | None
    back: str


@router.get("/runs/{run_id}/split")
def split_page(
    service: TheService,
    request: Request,
    run_id: RunId,
    back: Annotated[str, Query(max_length=2000)] = "",
) -> Response:
    """Asks for the other tray and how much is put into it."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        return _show(request, connection, say, run_id, Typed(), back=back)


@router.post("/runs/{run_id}/split")
def post_split(
    service: TheService, by: By, request: Request, run_id: RunId, typed: TypedForm
) -> Response:
    """Writes it down."""
    with service.database.read() as connection:
        say = Say(the_room(connection), by.at)
        number = span_of(connection, run_id).number

    def act() -> Response:
        into = tray_numbers(typed, "tray")
        if len(into) > 1:
            raise Refusal("tray", f"must be one tray, got {len(into)}")
        how_much = next((one.words for one in _SHARES if one.value == typed.text("share")), None)
        if how_much is None:
            raise Refusal("share", "must be chosen, got nothing")
        moment = _form(say, typed).moment("split_at")
        new = typed.read(NewSplit, "share", tray=into[0], split_at=moment)
        with service.database.read() as connection:
            known = registered_numbers(connection)
            grows = into[0] != number and into[0] in growing_numbers(connection, by.at)
        if grows and typed.text(_ENDS) != str(into[0]):
            raise Refusal(
                "tray",
                f"must be a free one, but something grows in tray {into[0]}: tick below that it "
                "ends there, or choose another",
            )
        split = split_run(service, run_id, new, by)
        words = f"{how_much.capitalize()} of tray {number} put into tray {new.tray}."
        if split.ended_another:
            words += f" What lay in tray {new.tray} before ended without a harvest."
        words += new_numbers_words([into[0]] if into[0] not in known else [])
        words += twice_words(typed, say)
        to = addresses.own_path(typed.text("back") or addresses.tray(number))
        entries = [Entry("run", split.corrected_entry_id), Entry("run", split.run.entry_id)]
        return done(to, words, undo=entries)

    def again(said: Typed) -> Response:
        with service.database.read() as connection:
            return _show(request, connection, say, run_id, said)

    return answered(typed, act, again)


def _form(say: Say, typed: Typed) -> Filled:
    shown = {"share": "0.5", "split_at": say.field_moment()}
    return Filled(_LABELS, shown, typed, choices={"share": _SHARES})


def _show(
    request: Request,
    connection: sa.Connection,
    say: Say,
    run_id: int,
    typed: Typed,
    *,
    back: str = "",
) -> Response:
    run = run_out(connection, span_of(connection, run_id), room=say.room, now=say.now)
    growing, known = growing_numbers(connection, say.now), registered_numbers(connection)
    into = typed.text("tray") or ""
    page = SplitPage(
        run=run,
        free=tuple(number for number in known if number not in growing),
        ends=int(into) if into.isdecimal() and int(into) in growing - {run.tray} else None,
        on_hold=is_held(connection, run_id, run.tray, say.now),
        form=_form(say, typed),
        back=addresses.own_path(typed.text("back") or back or addresses.tray(run.tray)),
    )
    return show(request, connection, "runs/split.html", page, here=addresses.ROOM)
