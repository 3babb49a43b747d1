"""The first page: where one must go, and the day's round with its short forms."""

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import Response

from service.api.dependencies import By, TheService
from service.context import Service
from service.ingest import tell_watchers
from service.models.runs import NewReading
from service.pages import addresses
from service.pages.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.now_page import AirPlace, air_places, now_page
from service.pages.words import Say
from service.problems import rule_in_words
from service.refusals import Refusal
from service.room_log import the_room
from service.things import READINGS

router = APIRouter(include_in_schema=False)

_TEMPERATURES = {
    "now": "temperature_c",
    "lowest": "temperature_low_c",
    "highest": "temperature_high_c",
}


@router.get(addresses.NOW)
def get_now(service: TheService, request: Request) -> Response:
    """Where one must go."""
    return show_now(service, request, Typed())


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

    return answered(typed, act, lambda again: show_now(service, request, again))


def show_now(service: Service, request: Request, typed: Typed) -> Response:
    """The first page, with what was typed where a form of it broke a rule."""
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
