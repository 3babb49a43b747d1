"""Something to do is added and ticked off, with what and how much where somebody says it."""

from dataclasses import dataclass
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.context import Service
from service.log.entries import Entrant
from service.log.refusals import Refusal
from service.models.base import LARGEST_ID
from service.models.runs import Chore, ChoreChange, NewChore
from service.pages import addresses
from service.pages.chores.chore_doubts import ChoreDoubts
from service.pages.chores.chore_form import chore_form, shown_details, typed_details, typed_kind
from service.pages.chores.chore_soaking import PROPOSE, with_seed_to_soak
from service.pages.forms.clock_changes import twice_words
from service.pages.forms.filled import Filled
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.now.now import show_now
from service.pages.words import Say
from service.photos.ingest import tell_watchers
from service.room.room_log import in_utc, the_room
from service.room.things import CHORES
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]


@dataclass(frozen=True)
class ChoreDonePage:
    """What is said when something is ticked off: `form` holds what is known of it."""

    id: int
    title: str
    form: Filled


@router.post(addresses.CHORES)
def post_chore(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Something to do today or at the time that was typed, or done then."""

    def act() -> Response:
        if typed.text(PROPOSE) is not None:
            return show_now(service, request, _with_proposal(service, typed, by))
        with service.database.write() as connection:
            say = Say(the_room(connection), by.at)
            new, doubts = _new_chore(typed, say, by), ChoreDoubts(connection)
            chore = CHORES.add(connection, new, by)
            assert isinstance(chore, Chore)
            asked = doubts.of(chore, say)
        tell_watchers(service, ())
        words = (f"Done: {new.title}." if new.done_at else f"To do: {new.title}.") + asked
        words += twice_words(typed, say)
        return done(addresses.NOW, words, undo=[Entry("chore", chore.entry_id)])

    return answered(typed, act, lambda again: show_now(service, request, again))


@router.get("/chores/{chore_id}/done")
def chore_done_page(service: TheService, request: Request, chore_id: _Id) -> Response:
    """When it was done, with what, how much, how long."""
    return _show_done(service, request, chore_id, Typed())


@router.post("/chores/{chore_id}/done")
def post_chore_done(
    service: TheService, by: By, request: Request, chore_id: _Id, typed: TypedForm
) -> Response:
    """Tick a chore off, now or at the time that was typed."""

    def act() -> Response:
        if typed.text(PROPOSE) is not None:
            return _show_done(service, request, chore_id, _with_proposal(service, typed, by))
        with service.database.write() as connection:
            say = Say(the_room(connection), by.at)
            # As it was shown the moment means now, however long the page stood open.
            untouched = typed.text("done_at") == typed.text("done_at_shown")
            moment = by.at if untouched else typed.text("done_at") or by.at
            before = _chore(connection, chore_id)
            change = typed.read(ChoreChange, done_at=moment, **_said(typed, before, say))
            if change.done_at:
                _check_not_to_come("done_at", change.done_at, say)
            doubts = ChoreDoubts(connection)
            chore = CHORES.correct(connection, chore_id, change, by)
            assert isinstance(chore, Chore)
            asked = doubts.of(chore, say)
        tell_watchers(service, ())
        words = f"Done: {chore.title}.{asked}{twice_words(typed, say)}"
        return done(addresses.NOW, words, undo=[Entry("chore", chore.entry_id)])

    return answered(typed, act, lambda again: _show_done(service, request, chore_id, again))


def _new_chore(typed: Typed, say: Say, by: Entrant) -> NewChore:
    moment = typed.text("planned_for") or by.at
    is_done = typed.text("done") == "yes"
    kind = typed_kind(typed)
    new = typed.read(
        NewChore,
        "title",
        kind=kind,
        shelf_id=typed.text("shelf"),
        details=typed_details(typed, kind, say),
        **{"done_at" if is_done else "planned_for": moment},
    )
    if new.done_at is not None:
        _check_not_to_come("planned_for", new.done_at, say)
    return new


def _with_proposal(service: Service, typed: Typed, by: Entrant) -> Typed:
    """The form with the seed to soak for the trays that it names. Raises Refusal."""
    with service.database.read() as connection:
        return with_seed_to_soak(connection, typed, Say(the_room(connection), by.at))


def _chore(connection: sa.Connection, chore_id: int) -> Chore:
    """A chore as it holds now. Raises NotFound."""
    return Chore.model_validate(CHORES.get(connection, chore_id).model_dump())


def _said(typed: Typed, before: Chore, say: Say) -> dict[str, Any]:
    """What a form says beside the moment; the plain button says nothing."""
    if typed.text("details_shown") is None:
        return {}
    kind = typed_kind(typed, before.kind)
    return {
        "kind": kind,
        "shelf_id": typed.text("shelf"),
        "details": typed_details(typed, kind, say, before.details),
    }


def _check_not_to_come(field: str, moment: Any, say: Say) -> None:
    if in_utc(moment, say.room) > say.now:
        raise Refusal(field, "must not be still to come where it is done")


def _show_done(service: Service, request: Request, chore_id: int, typed: Typed) -> Response:
    with service.database.read() as connection:
        chore = _chore(connection, chore_id)
        say = Say(the_room(connection), service.clock())
        defaults = {
            "kind": chore.kind,
            "shelf": "" if chore.shelf_id is None else str(chore.shelf_id),
            "done_at": say.field_moment(chore.done_at),
            **shown_details(chore.kind, chore.details, say),
        }
        form = chore_form(connection, defaults, typed)
        page = ChoreDonePage(chore_id, chore.title, form)
        return show(request, connection, "chores/chore_done.html", page, here=addresses.NOW)
