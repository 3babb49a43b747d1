"""Marking the four corners of a tray without a kit, by fingers, keys, taps or numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.context import Service
from service.log.refusals import Conflict, Refusal
from service.models.photos import NewCorners, Point
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.photos.photo_ages import TrayChoice, tray_choices
from service.pages.words import Say
from service.photos.photo_changes import mark_corners
from service.photos.photo_log import photo_out
from service.room.room_log import the_room
from service.route_arguments import By, PhotoId, TheService
from trayvision.pose.marked_tray import CORNER_NAMES
from trayvision.reference_kit import TraySize

router = APIRouter(include_in_schema=False)

# A browser without scripts tells where a picture was tapped in px as shown: the width is fixed.
SHOWN_PX: Final = 320
_SIDES: Final = ("length", "width", "depth")
_START_INSET: Final = 0.15


@dataclass(frozen=True)
class CornerField:
    """One corner: its name in forms and in words, and where it is in px of the photo."""

    name: str
    words: str
    x: str
    y: str


@dataclass(frozen=True)
class CornersPage:
    """A photo to mark.

    Parameters
    ----------
    photo_id, width, height : int
        Of the photo, px.
    picture : str
    shown_width, shown_height : int
        Of the picture where it is tapped without scripts.
    taps : tuple of str
        Corners tapped so far without scripts, each "x,y".
    next_corner : str or None
        In words; None when all four are tapped.
    corners : tuple of CornerField
    trays : tuple of TrayChoice
    tray : int or None
        Chosen already.
    room_size : str
        Inner size of trays in this room, in words.
    unit : str
    typed : Typed
    """

    photo_id: int
    width: int
    height: int
    picture: str
    shown_width: int
    shown_height: int
    taps: tuple[str, ...]
    next_corner: str | None
    corners: tuple[CornerField, ...]
    trays: tuple[TrayChoice, ...]
    tray: int | None
    room_size: str
    unit: str
    typed: Typed


@router.get("/photos/{photo_id}/corners")
def corners_page(
    service: TheService,
    request: Request,
    photo_id: PhotoId,
    tap: Annotated[list[str] | None, Query(max_length=4)] = None,
    x: Annotated[float | None, Query(alias="here.x")] = None,
    y: Annotated[float | None, Query(alias="here.y")] = None,
) -> Response:
    """The photo, to tap its tray's corners one after the other."""
    taps = [_tapped(text) for text in tap or ()]
    here = None if x is None or y is None else (x, y)
    return _page(service, request, photo_id, Typed(), taps=taps, here=here)


@router.post("/photos/{photo_id}/corners")
def post_corners(
    service: TheService, by: By, request: Request, photo_id: PhotoId, typed: TypedForm
) -> Response:
    """Measure the tray whose corners were marked."""

    def act() -> Response:
        with service.database.read() as connection:
            room = the_room(connection)
        size = _typed_size(typed, Say(room, service.clock()), TraySize.parse(room.tray_size))
        new = typed.read(NewCorners, "tray", corners=_typed_corners(typed), size=size)
        _, entry_id = mark_corners(service, photo_id, new, by)
        undo = [Entry("tray_corners", entry_id)]
        return done(addresses.photo(photo_id), "Corners marked and measured.", undo=undo)

    return answered(typed, act, lambda again: _page(service, request, photo_id, again))


def _page(
    service: Service,
    request: Request,
    photo_id: int,
    typed: Typed,
    *,
    taps: Sequence[Point] = (),
    here: Point | None = None,
) -> Response:
    with service.database.read() as connection:
        photo = photo_out(connection, photo_id)
        if photo.width is None or photo.height is None or photo.picture is None:
            raise Conflict("photo", f"{photo_id} shows no picture to mark")
        say = Say(the_room(connection), service.clock())
        if here is not None and len(taps) < len(CORNER_NAMES):
            scale = photo.width / SHOWN_PX
            taps = [*taps, ((here[0] + 0.5) * scale - 0.5, (here[1] + 0.5) * scale - 0.5)]
        words = [name.replace("_", " ") for name in CORNER_NAMES]
        page = CornersPage(
            photo_id=photo_id,
            width=photo.width,
            height=photo.height,
            picture=photo.picture,
            shown_width=SHOWN_PX,
            shown_height=round(SHOWN_PX * photo.height / photo.width),
            taps=tuple(f"{x:.1f},{y:.1f}" for x, y in taps),
            next_corner=words[len(taps)] if len(taps) < len(words) else None,
            corners=tuple(_fields(typed, taps, photo.width, photo.height)),
            trays=tuple(tray_choices(connection, service.clock())),
            tray=photo.assigned_trays[0] if photo.assigned_trays else None,
            room_size=_size_words(TraySize.parse(say.room.tray_size), say),
            unit=str(say.room.length_unit),
            typed=typed,
        )
        return show(request, connection, "photos/corners.html", page, here=addresses.SNAP)


def _fields(typed: Typed, taps: Sequence[Point], width: int, height: int) -> list[CornerField]:
    near, far = 1 - _START_INSET, _START_INSET
    start = [(far, near), (near, near), (near, far), (far, far)]
    fields = []
    for place, name in enumerate(CORNER_NAMES):
        x, y = start[place][0] * width, start[place][1] * height
        if place < len(taps):
            x, y = taps[place]
        fields.append(
            CornerField(
                name,
                name.replace("_", " "),
                typed.text(f"{name}_x") or f"{x:.0f}",
                typed.text(f"{name}_y") or f"{y:.0f}",
            )
        )
    return fields


def _tapped(text: str) -> Point:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError as error:
        raise Refusal("tap", f"must be like 120.5,80, got {text[:40]!r}") from error
    return x, y


def _typed_corners(typed: Typed) -> list[list[float]]:
    corners = []
    for name in CORNER_NAMES:
        x, y = typed.number(f"{name}_x"), typed.number(f"{name}_y")
        if x is None or y is None:
            raise Refusal(name, "must be marked, got nothing")
        corners.append([x, y])
    return corners


def _typed_size(typed: Typed, say: Say, usual: TraySize) -> str | None:
    """Inner size as typed in the room's unit; None where nobody typed one."""
    length, width, depth = (typed.number(side) for side in _SIDES)
    if length is None and width is None and depth is None:
        return None
    if length is None or width is None:
        raise Refusal("length", "and width must both be typed, or neither")
    depth_mm = usual.depth_mm if depth is None else say.mm(depth)
    return f"{say.mm(length):.0f}x{say.mm(width):.0f}x{depth_mm:.0f}"


def _size_words(size: TraySize, say: Say) -> str:
    sides = (size.length_mm, size.width_mm, size.depth_mm)
    return " × ".join(f"{say.length_number(side):g}" for side in sides) + f" {say.room.length_unit}"
