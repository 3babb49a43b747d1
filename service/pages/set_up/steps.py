"""How far the room is set up: the steps of the first evening, and what is still missing."""

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.accounts.origin import is_loopback
from service.accounts.people import is_open
from service.accounts.roles import Right
from service.context import Service
from service.log.entries import counts
from service.log.outside_schema import NOTIFICATION_TARGET
from service.log.schema import (
    CAMERA,
    PERSON,
    POSITION,
    RACK,
    SEED_LOT,
    SHELF,
)
from service.models.room import Room
from service.pages import addresses
from service.pages.frame import show, visitor_of
from service.pages.set_up.fields import number_ranges_in_words
from service.photos.inspection_log import seen_numbers
from service.room.chore_log import mounted_numbers
from service.room.room_log import numbers_of_trays, the_room
from service.route_arguments import TheService
from service.runs.run_calendar import run_calendar

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Step:
    """One step of setting up: whether it is done, what was found, and where to go on."""

    name: str
    address: str
    done: bool
    detail: str
    missing: str


@dataclass(frozen=True)
class Place:
    """A page of setting up, and what it holds now."""

    name: str
    address: str
    holds: str


@dataclass(frozen=True)
class SetUpPage:
    """The steps in order, and all pages."""

    answer: str
    steps: tuple[Step, ...]
    places: tuple[Place, ...]


@router.get(addresses.SET_UP)
def set_up(service: TheService, request: Request) -> Response:
    """What is still missing, and the way to everything that can be set up."""
    with service.database.read() as connection:
        found = _Found(connection, service)
        steps = found.steps()
        may_own = Right.OWN in visitor_of(request).rights
        page = SetUpPage(_answer(steps), steps, tuple(found.places(may_own=may_own)))
        return show(request, connection, "set_up/steps.html", page, here=addresses.MORE)


def _answer(steps: Sequence[Step]) -> str:
    missing = [step.missing for step in steps if not step.done]
    if not missing:
        return "The room is set up."
    *others, last = missing
    listed = f"{', '.join(others)} and {last}" if others else last
    return f"Still missing: {listed}."


class _Found:
    """What the log holds of the set-up."""

    def __init__(self, connection: sa.Connection, service: Service) -> None:
        self._connection = connection
        self._settings = service.settings
        self._room: Room = the_room(connection)
        self._open = is_open(connection)
        tables = (RACK, SHELF, POSITION, CAMERA, SEED_LOT, PERSON, NOTIFICATION_TARGET)
        self._count = counts(connection, tables)
        self._trays = numbers_of_trays(connection)
        self._seen = seen_numbers(connection)
        self._mounted = mounted_numbers(connection)

    def steps(self) -> tuple[Step, ...]:
        return (
            self._room_step(),
            self._racks_step(),
            self._trays_step(),
            self._kits_step(),
            self._lot_step(),
            self._spread_step(),
            self._photos_step(),
            self._phones_step(),
        )

    def _room_step(self) -> Step:
        said = self._room.day_zero is not None
        detail = (
            f"{self._room.name}, {self._room.time_zone}, {self._room.grain}."
            if said
            else "Its name, time zone, tray size, and from when its days count."
        )
        return Step("Name the room", addresses.SET_UP_ROOM, said, detail, "the room's own figures")

    def _racks_step(self) -> Step:
        count = self._count
        names = (("rack", "racks"), ("shelf", "shelves"), ("position", "places"))
        counted = [_many(count[one], one.replace("position", "place"), many) for one, many in names]
        detail = (
            f"{', '.join(counted)}."
            if count["rack"]
            else "Several at once: a rack with 6 shelves of 12 places is one form."
        )
        done = count["shelf"] > 0
        return Step("Racks and shelves", addresses.SET_UP_RACKS, done, detail, "racks and shelves")

    def _trays_step(self) -> Step:
        numbers = self._trays.values()
        detail = (
            f"Trays {number_ranges_in_words(numbers)} are registered."
            if self._trays
            else "Each tray gets a number that a photo can read."
        )
        done = bool(self._trays)
        return Step("Register the trays", addresses.SET_UP_TRAYS, done, detail, "the trays")

    def _kits_step(self) -> Step:
        without = sorted(set(self._trays.values()) - self._mounted)
        if not self._trays:
            detail = "Any printer will do."
        elif without:
            detail = f"Not ticked as mounted, and in no photo: {number_ranges_in_words(without)}."
        else:
            detail = "Every tray has its kit. Print again whenever one is torn."
        done = bool(self._trays) and not without
        return Step("Print and mount the kits", addresses.SET_UP_KIT, done, detail, "mounted kits")

    def _lot_step(self) -> Step:
        count = self._count["seed_lot"]
        detail = (
            f"{_many(count, 'lot is entered', 'lots are entered')}."
            if count
            else "What stands on the bag, and how much came."
        )
        return Step("Enter a seed lot", addresses.SET_UP_LOTS, count > 0, detail, "a seed lot")

    def _spread_step(self) -> Step:
        spread = bool(run_calendar(self._connection).by_id)
        detail = (
            "Photos have a day, and trays a date when they are due."
            if spread
            else "Write down which trays were spread, and when: without it no photo has a day."
        )
        return Step("Spread trays", addresses.START, spread, detail, "a tray that was spread")

    def _photos_step(self) -> Step:
        unseen = sorted(set(self._trays.values()) - self._seen)
        if not self._seen:
            detail = "Nothing measured yet. One photo from above shows whether the kit can be read."
        elif unseen:
            detail = f"Not in any photo yet: {number_ranges_in_words(unseen)}."
        else:
            detail = "Every tray was read in a photo."
        return Step("First photos", addresses.SNAP, bool(self._seen), detail, "the first photos")

    def _phones_step(self) -> Step:
        settings = self._settings
        here_alone = is_loopback(settings.host) and not settings.trusted_proxies
        name, missing = "Let phones in", "a way in for phones"
        if self._open:
            detail = "No password is set, so only this machine may open these pages."
            return Step(name, addresses.SET_UP_PEOPLE, False, detail, missing)
        if here_alone:
            detail = "A password is set, but the service still listens to this machine alone."
        else:
            detail = "A password is set, and the service listens beyond this machine."
        return Step(name, addresses.SET_UP_PHONES, not here_alone, detail, missing)

    def places(self, *, may_own: bool) -> list[Place]:
        """All pages, of which some are the owner's alone."""
        room, count = self._room, self._count
        units = ", ".join(
            (room.temperature_unit, room.weight_unit, room.volume_unit, room.length_unit)
        )
        shelves = _many(count["shelf"], "shelf", "shelves")
        cameras, lots = count["camera"], count["seed_lot"]
        people, told = count["person"], count["notification_target"]
        held = [
            Place("The room", addresses.SET_UP_ROOM, f"{room.name}, {room.time_zone}"),
            Place("Units", addresses.SET_UP_UNITS, units),
            Place("Racks, shelves, places", addresses.SET_UP_RACKS, shelves),
            Place("Trays", addresses.SET_UP_TRAYS, _many(len(self._trays), "tray", "trays")),
            Place("Seed lots", addresses.SET_UP_LOTS, _many(lots, "lot", "lots")),
            Place("Printed kits", addresses.SET_UP_KIT, "A PDF to print and mount"),
            Place("Cameras", addresses.SET_UP_CAMERAS, _many(cameras, "camera", "cameras")),
            Place(
                "Where a camera can hang",
                addresses.SET_UP_SHELF_CAMERA,
                "From which day a canopy is too high for it",
            ),
        ]
        if may_own:
            held += [
                Place("People", addresses.SET_UP_PEOPLE, _many(people, "person", "people")),
                Place("Messages", addresses.SET_UP_MESSAGES, _many(told, "person told", "told")),
                Place("Your data", addresses.SET_UP_DATA, "Export, backups, what is kept"),
            ]
        if not self._open:
            held.append(Place("Your password", addresses.SET_UP_PASSWORD, "Change it, log out"))
        return held


def _many(number: int, one: str, several: str) -> str:
    if number == 0:
        return f"no {one} yet"
    return f"{number} {one if number == 1 else several}"
