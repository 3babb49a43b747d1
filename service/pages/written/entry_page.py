"""The page that corrects or withdraws one thing that was written, beside its whole history."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.context import Service
from service.log.entries import Entrant, history
from service.log.refusals import Conflict
from service.log.schema import TRAY
from service.models.base import LARGEST_ID, Change
from service.models.runs import RunChange, Seed
from service.pages import addresses
from service.pages.forms.clock_changes import twice_words
from service.pages.forms.filled import Choice, Filled
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.words import Say
from service.pages.written.entry_forms import entry_form, typed_change, with_soak_kept
from service.pages.written.written import (
    CHORES,
    HARVESTS,
    PLACEMENTS,
    READINGS,
    RUNS,
    STATES,
    TABLES,
    Names,
    Values,
    Written,
    written,
)
from service.room import things
from service.room.room_log import one, the_room
from service.room.thing_changes import correct_thing, withdraw_thing
from service.route_arguments import By, TheService
from service.runs.run_changes import correct_run, withdraw_run
from service.runs.run_log import seed_of

router = APIRouter(include_in_schema=False)


class Kind(StrEnum):
    """What can be corrected here."""

    RUNS = RUNS
    HARVESTS = HARVESTS
    PLACEMENTS = PLACEMENTS
    STATES = STATES
    READINGS = READINGS
    CHORES = CHORES


ThingId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_RESOURCES: Final = {
    Kind.HARVESTS: things.HARVESTS,
    Kind.PLACEMENTS: things.PLACEMENTS,
    Kind.STATES: things.TRAY_STATES,
    Kind.READINGS: things.READINGS,
    Kind.CHORES: things.CHORES,
}


@dataclass(frozen=True)
class EntryPage:
    """One thing that was written.

    Parameters
    ----------
    thing : Written
    form : Filled or None
        None once it was withdrawn.
    entry_id : int
        The entry that holds now, to find out whether somebody else corrects it meanwhile.
    lots : tuple of Choice
    weight_unit, length_unit : str
    back, back_words : str
        Address of the page that it belongs to, and what that is called.
    """

    thing: Written
    form: Filled | None
    entry_id: int
    lots: tuple[Choice, ...]
    weight_unit: str
    length_unit: str
    back: str
    back_words: str


@router.get("/entries/{kind}/{thing_id}")
def entry_page(service: TheService, request: Request, kind: Kind, thing_id: ThingId) -> Response:
    """Shows what was written, and the form that corrects it."""
    with service.database.read() as connection:
        return _show(request, connection, kind, thing_id, Typed())


@router.post("/entries/{kind}/{thing_id}")
def post_entry(
    service: TheService,
    by: By,
    request: Request,
    kind: Kind,
    thing_id: ThingId,
    typed: TypedForm,
) -> Response:
    """Corrects it; the entry before stays."""

    def act() -> Response:
        with service.database.read() as connection:
            names = Names(connection, Say(the_room(connection), by.at))
            row = dict(one(connection, TABLES[kind], thing_id))
            seed = _seed(connection, kind, row)
            if typed.text("entry_id") not in (None, str(row["entry_id"])):
                raise Conflict(
                    "entry", "was corrected by somebody else meanwhile; what holds now is below"
                )
            form = entry_form(kind, row, names, seed=seed, typed=typed)
        change = typed_change(kind, form, names, seed=seed)
        words = "Corrected. What was written before stays beside it."
        if isinstance(change, RunChange):
            change, hours = with_soak_kept(change, row, names.say.room)
            if hours is not None:
                words += (
                    f" The soaking moved with the spreading: {hours:g} hours before, as it was."
                )
        _correct(service, kind, thing_id, change, by)
        words += twice_words(typed, names.say)
        return _done(service, kind, thing_id, words)

    return answered(typed, act, lambda said: _again(service, request, kind, thing_id, said))


@router.post("/entries/{kind}/{thing_id}/withdraw")
def post_withdraw(
    service: TheService,
    by: By,
    request: Request,
    kind: Kind,
    thing_id: ThingId,
    typed: TypedForm,
) -> Response:
    """Says that it never was; it stays in its history."""

    def act() -> Response:
        why = Change(why=typed.text("why")).why
        words = "Withdrawn. It stays in the history."
        if kind is Kind.RUNS:
            entries = withdraw_run(service, thing_id, by=by, why=why)
            return _done(service, kind, thing_id, words, entries)
        withdraw_thing(service, _RESOURCES[kind], thing_id, by=by, why=why)
        return _done(service, kind, thing_id, words)

    return answered(typed, act, lambda said: _again(service, request, kind, thing_id, said))


def _correct(service: Service, kind: Kind, thing_id: int, change: Change, by: Entrant) -> None:
    if kind is Kind.RUNS:
        assert isinstance(change, RunChange)
        correct_run(service, thing_id, change, by)
    else:
        correct_thing(service, _RESOURCES[kind], thing_id, change, by)


def _done(
    service: Service, kind: Kind, thing_id: int, words: str, entries: Sequence[int] = ()
) -> Response:
    """Leads on, with the undo of some entries, or of the last one of this thing."""
    with service.database.read() as connection:
        last = history(connection, TABLES[kind], thing_id)[-1]
        to, _ = _belongs_to(connection, kind, last)
    undo = [Entry(TABLES[kind].name, one) for one in entries or [last["id"]]]
    return done(to, words, undo=undo)


def _belongs_to(connection: sa.Connection, kind: Kind, row: Values) -> tuple[str, str]:
    """Address and name of the page that leads to a thing."""
    if kind in (Kind.READINGS, Kind.CHORES):
        return f"{addresses.WRITTEN}#{kind}", "air and chores"
    if kind is Kind.RUNS:
        return addresses.run(row.get("original_id") or row["id"]), "the run"
    if kind is Kind.HARVESTS:
        return addresses.run(row["run_id"]), "the run"
    return addresses.tray(one(connection, TRAY, row["tray_id"])["number"]), "the tray"


def _seed(connection: sa.Connection, kind: Kind, row: Values) -> list[Seed]:
    return seed_of(connection, row["entry_id"]) if kind is Kind.RUNS else []


def _again(service: Service, request: Request, kind: Kind, thing_id: int, typed: Typed) -> Response:
    with service.database.read() as connection:
        return _show(request, connection, kind, thing_id, typed)


def _show(
    request: Request, connection: sa.Connection, kind: Kind, thing_id: int, typed: Typed
) -> Response:
    service: Service = request.app.state.service
    say = Say(the_room(connection), service.clock())
    names = Names(connection, say)
    thing = written(connection, kind, thing_id, names)
    last = history(connection, TABLES[kind], thing_id)[-1]
    form = None
    if not thing.withdrawn:
        row = dict(one(connection, TABLES[kind], thing_id))
        seed = _seed(connection, kind, row)
        form = entry_form(kind, row, names, seed=seed, typed=typed)
    back, back_words = _belongs_to(connection, kind, last)
    page = EntryPage(
        thing=thing,
        form=form,
        entry_id=last["id"],
        lots=names.lots,
        weight_unit=str(say.room.weight_unit),
        length_unit=str(say.room.length_unit),
        back=back,
        back_words=back_words,
    )
    return show(request, connection, "written/entry.html", page, here=addresses.ROOM)
