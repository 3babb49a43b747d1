"""The room's own figures, and the units in which its people read and type."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from zoneinfo import available_timezones

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.room import (
    DayZero,
    LengthUnit,
    Room,
    RoomChange,
    TemperatureUnit,
    VolumeUnit,
    WeightUnit,
)
from service.pages import addresses
from service.pages.forms.forms import TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    converted,
    plain_number,
    shown_again,
    size_in_words,
    typed_size,
)
from service.pages.words import Say
from service.room.room_figures import correct_room
from service.room.room_log import the_room
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

_TALLEST_MM: Final = 2000.0
_DAY_ZEROS: Final = (
    (DayZero.SPREAD, "Spreading: day 0 is when the seed goes into the tray"),
    (DayZero.SOAK, "Soaking: day 0 is when the seed goes into the water"),
)


@dataclass(frozen=True)
class RoomPage:
    """The form of the room's figures.

    Parameters
    ----------
    form : Fields
    zones : tuple of (str, tuple of (str, str))
        Time zones by part of the world: name, and how it reads.
    tray_size : str
        As it holds, in words.
    day_zeros : tuple of (str, str)
        From when days can be counted, and how it reads.
    day_zero_said : bool
    """

    form: Fields
    zones: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    tray_size: str
    day_zeros: tuple[tuple[str, str], ...]
    day_zero_said: bool


@dataclass(frozen=True)
class UnitsPage:
    """The form of units, each choice with an example."""

    form: Fields
    temperatures: tuple[tuple[str, str], ...]
    weights: tuple[tuple[str, str], ...]
    volumes: tuple[tuple[str, str], ...]
    lengths: tuple[tuple[str, str], ...]


@router.get(addresses.SET_UP_ROOM)
def room_page(service: TheService, request: Request) -> Response:
    """Name, time zone, tray size, what a harvest is, how days are counted."""
    with service.database.read() as connection:
        return _show_room(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_ROOM)
def post_room(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Corrects the room; what was said before stays in its history."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())

    def act() -> Response:
        height = typed.number("target_height")
        if height is not None and not 0 < say.mm(height) <= _TALLEST_MM:
            most = say.length(_TALLEST_MM)
            raise Refusal("target_height", f"must be above 0 and at most {most}, got {height:g}")
        if typed.text("day_zero") is None:
            raise Refusal("day_zero", "must be chosen: from when do you count the days?")
        size = typed_size(typed)
        change = typed.read(
            RoomChange,
            *("name", "time_zone", "day_zero", "grain"),
            target_shoot_height_mm=converted(
                height, say.mm, shown=_shown_height(say), kept=say.room.target_shoot_height_mm
            ),
            target_day=typed.number("target_day"),
            **({} if size is None else {"tray_size": size}),
            **_given("photo_every_hours", typed.number("photo_every_hours")),
        )
        room = correct_room(service, change, by)
        words = "The room is saved. What was said before stays on record."
        words += _moved_clocks(say, Say(room, say.now))
        return done(addresses.SET_UP, words, undo=[Entry("room", room.entry_id)])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_room(request, connection, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.get(addresses.SET_UP_UNITS)
def units_page(service: TheService, request: Request) -> Response:
    """°C or °F, kg or lb, litres or one of the gallons, cm or inches."""
    with service.database.read() as connection:
        return _show_units(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_UNITS)
def post_units(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Changes how everything is read and typed; what is recorded stays as it is."""

    def act() -> Response:
        names = ("temperature_unit", "weight_unit", "volume_unit", "length_unit")
        room = correct_room(service, typed.read(RoomChange, *names), by)
        words = "The units are saved: pages now read and take them."
        return done(addresses.SET_UP, words, undo=[Entry("room", room.entry_id)])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_units(request, connection, said)

    return answered(typed, act, shown_again(service, "form", shown))


def _moved_clocks(before: Say, after: Say) -> str:
    """That clock times read otherwise now; empty where they do not."""
    old, new = before.room.time_zone, after.room.time_zone
    if old == new:
        return ""
    return (
        f" All times are shown by the clocks of {new} now, also those written before: what read "
        f"{before.clock(before.now)} by {old} reads {after.clock(after.now)}. Where the clock on "
        "the wall did not move, earlier times were typed under the wrong zone: correct them."
    )


def _given(name: str, value: float | None) -> dict[str, float]:
    return {} if value is None else {name: value}


def _shown_height(say: Say) -> str:
    height = say.room.target_shoot_height_mm
    return "" if height is None else plain_number(say.length_number(height))


def _show_room(request: Request, connection: sa.Connection, said: Said) -> Response:
    room = the_room(connection)
    say = Say(room, request.app.state.service.clock())
    held = {
        "name": room.name,
        "time_zone": room.time_zone,
        "tray_size": room.tray_size,
        "tray_size_unit": "mm",
        "grain": room.grain,
        "day_zero": room.day_zero or "",
        "target_height": _shown_height(say),
        "target_day": plain_number(room.target_day),
        "photo_every_hours": plain_number(room.photo_every_hours),
    }
    page = RoomPage(
        said.fields("form", held),
        _zones(room.time_zone),
        size_in_words(room.tray_size, room.length_unit),
        _DAY_ZEROS,
        room.day_zero is not None,
    )
    return show(request, connection, "set_up/room.html", page, here=addresses.MORE)


def _show_units(request: Request, connection: sa.Connection, said: Said) -> Response:
    room = the_room(connection)
    page = UnitsPage(
        said.fields("form", {name: str(getattr(room, name)) for name in Room.model_fields}),
        ((TemperatureUnit.CELSIUS, "°C, as in 19.5 °C"), (TemperatureUnit.FAHRENHEIT, "°F, 67 °F")),
        ((WeightUnit.KILOGRAM, "kg, as in 3.6 kg"), (WeightUnit.POUND, "lb, as in 8 lb")),
        (
            (VolumeUnit.LITRE, "Litres"),
            (VolumeUnit.US_GALLON, "US gallons (3.8 litres)"),
            (VolumeUnit.IMPERIAL_GALLON, "Imperial gallons (4.5 litres)"),
        ),
        ((LengthUnit.CENTIMETRE, "cm, as in 14.2 cm"), (LengthUnit.INCH, "in, as in 5.6 in")),
    )
    return show(request, connection, "set_up/units.html", page, here=addresses.MORE)


@lru_cache(maxsize=1)
def _all_zones() -> tuple[str, ...]:
    """Read from the disk, hundreds of files, so once."""
    return tuple(sorted(available_timezones()))


def _zones(held: str) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """Zones of places, by continent or ocean, and the one that the room has now."""
    parts: dict[str, list[tuple[str, str]]] = {}
    for name in _all_zones():
        part, _, place = name.partition("/")
        # Names without a place are old ones of the same zones.
        old = part in ("Etc", "SystemV") or not place
        if old and name not in ("UTC", held):
            continue
        parts.setdefault(part if place else "Elsewhere", []).append(
            (name, (place or name).replace("_", " ").replace("/", ", "))
        )
    return tuple((part, tuple(zones)) for part, zones in sorted(parts.items()))
