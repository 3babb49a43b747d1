"""Where a camera can hang: from which day a canopy is too high for it."""

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.pages import addresses
from service.pages.forms.forms import Typed, answered
from service.pages.frame import show
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    asked,
    plain_number,
    shown_again,
    size_in_words,
    typed_size,
)
from service.pages.set_up.kit import typed_shelf_camera
from service.pages.words import Say
from service.photos.inspection_log import last_canopy_heights
from service.room.room_log import the_room
from service.route_arguments import TheService
from trayvision.kit.sheets import DEFAULT_LENS_ANGLE_DEG, DEFAULT_SHELF_PITCH_MM
from trayvision.kit.shelf_camera import (
    TYPICAL_CANOPY_MM,
    ShelfCamera,
    first_blind_day,
    needed_angle_deg,
)
from trayvision.reference_kit import TraySize

router = APIRouter(include_in_schema=False)

# Fewer photos of a day say too little of what is usual; judgement.
_FEWEST_OF_A_DAY: Final = 3
_FEWEST_DAYS: Final = 3
_LAST_PHOTOS: Final = 2000
_TALLEST_MM: Final = 3000.0


@dataclass(frozen=True)
class Canopy:
    """How high a canopy stands on each day, root mat included, and where that comes from."""

    mm: Mapping[int, float]
    own: bool

    @property
    def last_day(self) -> int:
        """Last day that it speaks of."""
        return max(self.mm)


@dataclass(frozen=True)
class DayRow:
    """One day: the canopy's height, whether it fits, and the lens angle that would hold it."""

    day: int
    canopy_mm: float
    fits: bool
    needed_angle: float | None


@dataclass(frozen=True)
class ShelfCameraPage:
    """The answer in a sentence, day by day, and the form."""

    answer: str
    limit_mm: float
    tray_size: str
    own: bool
    days: tuple[DayRow, ...]
    form: Fields


@router.get(addresses.SET_UP_SHELF_CAMERA)
def shelf_camera_page(service: TheService, request: Request) -> Response:
    """From which day a camera over a shelf sees no whole tray any more."""
    typed = asked(request)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show(request, connection, said)

    def act() -> Response:
        with service.database.read() as connection:
            return _show(request, connection, Said("form", typed) if typed.form else NOTHING_SAID)

    return answered(typed, act, shown_again(service, "form", shown))


def room_canopy(connection: sa.Connection) -> Canopy:
    """The room's own canopy by day where photos say enough of it, else a typical barley's."""
    by_day: dict[int, list[float]] = {}
    for day, height_mm in last_canopy_heights(connection, most=_LAST_PHOTOS):
        by_day.setdefault(day, []).append(height_mm)
    own = {
        day: median(heights)
        for day, heights in sorted(by_day.items())
        if len(heights) >= _FEWEST_OF_A_DAY
    }
    return Canopy(own, True) if len(own) >= _FEWEST_DAYS else Canopy(TYPICAL_CANOPY_MM, False)


def blind_in_words(camera: ShelfCamera, size: TraySize, canopy: Canopy) -> str:
    """From which day a camera is blind, in a sentence."""
    day = first_blind_day(camera, size=size, canopy_mm=canopy.mm)
    whose = "this room's own trays" if canopy.own else "a typical barley tray"
    if camera.tallest_canopy_seen_mm(size) < 0:
        return "Not even the empty tray fits into its picture."
    if day is None:
        return f"It sees the whole tray up to day {canopy.last_day}, by {whose}."
    if day == min(canopy.mm):
        return f"From day {day} on it does not see the whole tray, by {whose}."
    return f"It sees the whole tray until day {day - 1} and is blind from day {day}, by {whose}."


def _show(request: Request, connection: sa.Connection, said: Said) -> Response:
    say = Say(the_room(connection), request.app.state.service.clock())
    fields = said.fields(
        "form",
        {
            "shelf_pitch": plain_number(say.length_number(DEFAULT_SHELF_PITCH_MM)),
            "lens_angle": plain_number(DEFAULT_LENS_ANGLE_DEG),
            "tray_size_unit": "mm",
        },
    )
    # What breaks a rule is shown beside the answer for what is usual.
    typed = Typed() if said.broken else said.typed
    size = TraySize.parse(typed_size(typed) or say.room.tray_size)
    camera, canopy = typed_shelf_camera(typed, say), _typed_canopy(typed, connection, say)
    limit = camera.tallest_canopy_seen_mm(size)
    page = ShelfCameraPage(
        blind_in_words(camera, size, canopy),
        limit,
        size_in_words(str(size), say.room.length_unit),
        canopy.own,
        tuple(
            DayRow(day, height, height <= limit, _needed(camera, size, height))
            for day, height in sorted(canopy.mm.items())
        ),
        fields,
    )
    return show(request, connection, "set_up/shelf_camera.html", page, here=addresses.MORE)


def _typed_canopy(typed: Typed, connection: sa.Connection, say: Say) -> Canopy:
    """What is known of the canopy; a height that was typed for harvest is its highest."""
    known = room_canopy(connection)
    tallest = typed.number("canopy")
    if tallest is None:
        return known
    if not 0 < say.mm(tallest) <= _TALLEST_MM:
        raise Refusal("canopy", f"must be above 0 and at most {say.length(_TALLEST_MM)}")
    # The same course of growth, ending at that height.
    share = say.mm(tallest) / max(known.mm.values())
    return Canopy({day: height * share for day, height in known.mm.items()}, known.own)


def _needed(camera: ShelfCamera, size: TraySize, canopy_mm: float) -> float | None:
    distance = camera.lens_above_floor_mm - canopy_mm
    return needed_angle_deg(size.length_mm, distance) if distance > 0 else None
