"""The first page: where one must go, and the day's round with its short forms."""

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.responses import Response

from service.api.dependencies import By, TheService
from service.context import Service
from service.ingest import tell_watchers
from service.models.base import LARGEST_ID
from service.models.runs import Chore, ChoreChange, NewChore, NewReading
from service.pages import addresses
from service.pages.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.now_page import AirPlace, air_places, now_page
from service.pages.words import Say
from service.problems import rule_in_words
from service.refusals import Refusal
from service.room_log import in_utc, the_room
from service.things import CHORES, READINGS

router = APIRouter(include_in_schema=False)

_TEMPERATURES = {
    "now": "temperature_c",
    "lowest": "temperature_low_c",
    "highest": "temperature_high_c",
}


@router.get(addresses.NOW)
def get_now(service: TheService, request: Request) -> Response:
    """Where one must go."""
    return _show_now(service, request, Typed())


@router.post(addresses.READINGS)
def post_readings(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """The air as somebody read it, at the top and at the bottom."""

    def act() -> Response:
        with service.database.write() as connection:
            say = Say(the_room(connection), by.at)
            new = [
                reading
                for place in air_places(connection)
                if (reading := _reading(place, typed, say)) is not None
            ]
            if not new:
                raise Refusal("readings", "must hold a temperature or a humidity, got nothing")
            undo = [Entry("reading", READINGS.add(connection, one, by).entry_id) for one in new]
        tell_watchers(service, ())
        return done(addresses.NOW, "The air is written down.", undo=undo)

    return answered(typed, act, lambda again: _show_now(service, request, again))


@router.post(addresses.CHORES)
def post_chore(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Something to do today, or at the time that was typed."""

    def act() -> Response:
        planned = typed.text("planned_for")
        new = typed.read(NewChore, "title", kind="other", planned_for=planned or by.at)
        with service.database.write() as connection:
            chore = CHORES.add(connection, new, by)
        tell_watchers(service, ())
        return done(addresses.NOW, f"To do: {new.title}.", undo=[Entry("chore", chore.entry_id)])

    return answered(typed, act, lambda again: _show_now(service, request, again))


@router.post("/chores/{chore_id}/done")
def post_chore_done(
    service: TheService,
    by: By,
    request: Request,
    chore_id: Annotated[int, Path(ge=1, le=LARGEST_ID)],
    typed: TypedForm,
) -> Response:
    """Tick a chore off, now or at the time that was typed."""

    def act() -> Response:
        change = typed.read(ChoreChange, done_at=typed.text("done_at") or by.at)
        with service.database.write() as connection:
            if change.done_at and in_utc(change.done_at, the_room(connection)) > by.at:
                raise Refusal("Done at", "must not be still to come")
            chore = CHORES.correct(connection, chore_id, change, by)
            assert isinstance(chore, Chore)
        tell_watchers(service, ())
        words = f"Done: {chore.title}."
        return done(addresses.NOW, words, undo=[Entry("chore", chore.entry_id)])

    return answered(typed, act, lambda again: _show_now(service, request, again))


def _show_now(service: Service, request: Request, typed: Typed) -> Response:
    with service.database.read() as connection:
        room = the_room(connection)
        say = Say(room, service.clock())
        page = now_page(connection, room, say, typed)
        return show(request, connection, "now.html", page, here=addresses.NOW)


def _reading(place: AirPlace, typed: Typed, say: Say) -> NewReading | None:
    """What was typed for one place, None where nothing was. Raises Refusal."""
    found: dict[str, float] = {}
    for name, field in _TEMPERATURES.items():
        degrees = typed.number(f"{place.key} {name}")
        if degrees is not None:
            found[field] = say.celsius(degrees)
    humidity = typed.number(f"{place.key} humidity")
    if humidity is not None:
        found["humidity_percent"] = humidity
    if not found:
        return None
    try:
        return typed.read(NewReading, "read_at", shelf_id=place.shelf_id, **found)
    except ValidationError as error:
        first = error.errors()[0]
        name = " ".join(str(part) for part in first["loc"]).replace("_", " ")
        rule = rule_in_words(dict(first))
        raise Refusal(f"{place.name}, {name}".rstrip(", "), rule) from error
