"""The first page: where one must go, and the day's round with its short forms."""

from typing import Any, Final

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import Response

from service.context import Service
from service.log.plain_rules import rule_in_words
from service.log.refusals import Refusal
from service.models.runs import NewReading
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.now import air_doubts
from service.pages.now.air_places import AirPlace, air_places, every_air_place
from service.pages.now.now_page import AIR_FIELDS, now_page
from service.pages.words import Say
from service.photos.ingest import tell_watchers
from service.room.room_log import the_room
from service.room.things import READINGS
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

_TEMPERATURES: Final = ("temperature_c", "temperature_low_c", "temperature_high_c")


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
            places = every_air_place(connection)
            new = [
                reading for place in places if (reading := _reading(place, typed, say)) is not None
            ]
            if not new:
                first = air_places(connection, by.at)[0]
                rule = "or another field must have a number: nothing was typed"
                raise Refusal(f"{first.key} now", rule)
            undo = [Entry("reading", READINGS.add(connection, one, by).entry_id) for one in new]
        tell_watchers(service, ())
        doubts = [air_doubts.doubt(one.model_dump(), say) for one in new]
        words = f"The air is written down.{''.join(dict.fromkeys(doubts))}"
        return done(addresses.NOW, words, undo=undo)

    return answered(typed, act, lambda again: show_now(service, request, again))


def show_now(service: Service, request: Request, typed: Typed) -> Response:
    """The first page, with what was typed where a form of it broke a rule."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        page = now_page(connection, say, typed, looks=service.looks)
        return show(request, connection, "now/now.html", page, here=addresses.NOW)


def _reading(place: AirPlace, typed: Typed, say: Say) -> NewReading | None:
    """What was typed for one place, None where nothing was. Raises Refusal."""
    found: dict[str, float] = {}
    for field, (name, _) in AIR_FIELDS.items():
        amount = typed.number(f"{place.key} {name}")
        if amount is not None:
            found[field] = say.celsius(amount) if field in _TEMPERATURES else amount
    if not found:
        return None
    for low, high, unit in (
        ("temperature_low_c", "temperature_high_c", say.room.temperature_unit),
        ("humidity_low_percent", "humidity_high_percent", "%"),
    ):
        if low in found and high in found and found[low] > found[high]:
            names = [f"{place.key} {AIR_FIELDS[field][0]}" for field in (low, high)]
            got = " and ".join(typed.text(name) or "" for name in names)
            raise Refusal(names[0], f"must not exceed the highest, got {got} {unit}")
    try:
        return typed.read(NewReading, "read_at", shelf_id=place.shelf_id, **found)
    except ValidationError as error:
        first: dict[str, Any] = dict(error.errors()[0])
        field = str(first["loc"][0]) if first["loc"] else ""
        named = f"{place.key} {AIR_FIELDS[field][0]}" if field in AIR_FIELDS else field
        raise Refusal(named, _air_rule(first, field, say)) from error


def _air_rule(error: dict[str, Any], field: str, say: Say) -> str:
    """A broken rule in the words and the unit of the form; the log's own are of °C."""
    bound = next((name for name in ("le", "ge") if name in error.get("ctx", {})), None)
    if field in _TEMPERATURES and bound is not None:
        most, got = float(error["ctx"][bound]), float(error["input"])
        order = "or less" if bound == "le" else "or more"
        unit = say.room.temperature_unit
        return (
            f"must be {say.temperature_number(most):g} {unit} {order}, "
            f"got {say.temperature_number(got):g}"
        )
    return rule_in_words(error)
