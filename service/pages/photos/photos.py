"""Photos: the list, what each of them says, and what a person says about it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.context import Service
from service.models.base import LARGEST_ID
from service.models.photos import NewAssignment, PhotoChange, PhotoOut
from service.models.room import TrayNumber
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.photos.photo_ages import TrayChoice, ages, tray_choices
from service.pages.photos.photo_standing import NOTHING_STANDS, standing
from service.pages.photos.photo_words import PhotoWords, photo_words
from service.pages.tray.tray_misfit import misfits
from service.pages.words import Say
from service.photos.photo_assignments import assign_photo, last_assignment, withdraw_assignment
from service.photos.photo_changes import (
    correct_photo,
    measure_again,
)
from service.photos.photo_log import PhotoSearch, capture_of, photo_ids, photo_out, photos_out
from service.room.room_log import the_room
from service.route_arguments import By, PhotoId, TheService

router = APIRouter(include_in_schema=False)

ON_A_PAGE = 30
_MOST_NAMED = 100
_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]


@dataclass(frozen=True)
class PhotosPage:
    """Photos, the last taken first.

    Parameters
    ----------
    heading : str
    photos : tuple of PhotoWords
    unread : bool
        Whether only those are listed in which a tray could not be read.
    named : bool
        Whether these were asked for one by one, such as after a burst.
    newer, older : str or None
        Addresses of the pages beside this one.
    """

    heading: str
    photos: tuple[PhotoWords, ...]
    unread: bool
    named: bool
    newer: str | None
    older: str | None


@dataclass(frozen=True)
class PhotoPage:
    """One photo.

    Parameters
    ----------
    photo : PhotoOut
    words : PhotoWords
    trays : tuple of TrayChoice
        To say which one it shows; those that grow first.
    taken_at, note : str
        As the fields for them take them.
    typed : Typed
        What somebody typed that could not be saved, and why.
    """

    photo: PhotoOut
    words: PhotoWords
    trays: tuple[TrayChoice, ...]
    taken_at: str
    note: str
    typed: Typed

    @property
    def tray_groups(self) -> dict[str, list[int]]:
        """Numbers of the trays that grow and of the others, where there are any."""
        groups = {
            "Growing now": [one.number for one in self.trays if one.growing],
            "Others": [one.number for one in self.trays if not one.growing],
        }
        return {name: numbers for name, numbers in groups.items() if numbers}


@router.get(addresses.PHOTOS)
def photos_page(
    service: TheService,
    request: Request,
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
    unread: bool = False,
    photo: Annotated[list[_Id] | None, Query(max_length=_MOST_NAMED)] = None,
) -> Response:
    """All photos, those that could not be read, or those that are named."""
    with service.database.read() as connection:
        search = PhotoSearch(
            with_problem=True if unread else None,
            limit=ON_A_PAGE + 1,
            offset=ON_A_PAGE * (page - 1),
        )
        ids = photo_ids(connection, search) if photo is None else _known(connection, photo)
        words = said(service, connection, photos_out(connection, ids[:ON_A_PAGE]))
        shown = PhotosPage(
            heading=_heading(words, unread=unread, named=photo is not None, first=page == 1),
            photos=tuple(words),
            unread=unread,
            named=photo is not None,
            newer=_beside(page - 1, unread) if page > 1 else None,
            older=_beside(page + 1, unread) if photo is None and len(ids) > ON_A_PAGE else None,
        )
        return show(request, connection, "photos/photos.html", shown, here=addresses.SNAP)


@router.get("/photos/{photo_id}")
def photo_page(service: TheService, request: Request, photo_id: PhotoId) -> Response:
    """What a photo says."""
    return _page(service, request, photo_id, Typed())


@router.get("/photos/{photo_id}/result")
def photo_result(service: TheService, request: Request, photo_id: PhotoId) -> Response:
    """The same in short, to stand on the page that the photo was taken on."""
    with service.database.read() as connection:
        (words,) = said(service, connection, [photo_out(connection, photo_id)])
        return show(request, connection, "photos/photo_result.html", words, here=addresses.SNAP)


@router.post("/photos/{photo_id}/capture")
def post_capture(
    service: TheService, by: By, request: Request, photo_id: PhotoId, typed: TypedForm
) -> Response:
    """Correct when and around which watering a photo was taken, and what is noted of it."""

    def act() -> Response:
        with service.database.read() as connection:
            say = Say(the_room(connection), service.clock())
            capture = capture_of(connection, photo_id)
        # The field shows whole minutes: a moment that nobody touched keeps its seconds.
        before = {"taken_at": say.field_moment(capture["taken_at"]), "note": capture["note"]}
        changed = {
            name: typed.text(name)
            for name, stood in before.items()
            if name in typed.form and typed.text(name) != stood
        }
        correct_photo(service, photo_id, typed.read(PhotoChange, "watering", **changed), by)
        with service.database.read() as connection:
            entry = capture_of(connection, photo_id)["entry_id"]
        undo = [Entry("capture", entry)]
        return done(addresses.photo(photo_id), "Photo corrected.", undo=undo)

    return answered(typed, act, lambda again: _page(service, request, photo_id, again))


@router.post("/photos/{photo_id}/inspect")
def post_inspect(service: TheService, by: By, photo_id: PhotoId) -> Response:
    """Measure a photo again, with what the log knows now."""
    measure_again(service, photo_id, by)
    return done(addresses.photo(photo_id), "Measured again. What was measured before is kept.")


@router.post("/photos/{photo_id}/trays")
def post_tray(
    service: TheService, by: By, request: Request, photo_id: PhotoId, typed: TypedForm
) -> Response:
    """Say which tray a photo shows."""

    def act() -> Response:
        new = typed.read(NewAssignment, "tray")
        assign_photo(service, photo_id, new.tray, by=by, why=None)
        with service.database.read() as connection:
            entry = last_assignment(connection, photo_id)
            (shown,) = said(service, connection, [photo_out(connection, photo_id)])
        undo = [Entry("assignment", entry)]
        words = f"This photo shows tray {new.tray}."
        if shown.by_hand:
            words += (
                " Its tags name another tray, and what was measured stays there: look whether the "
                "kit's bars stand on the wrong tray."
            )
        return done(addresses.photo(photo_id), words, undo=undo)

    return answered(typed, act, lambda again: _page(service, request, photo_id, again))


@router.post("/photos/{photo_id}/trays/{number}/withdraw")
def post_tray_withdrawn(
    service: TheService, by: By, photo_id: PhotoId, number: TrayNumber
) -> Response:
    """Take back that a photo shows a tray, which somebody said by mistake."""
    _, entry = withdraw_assignment(service, photo_id, number, by=by)
    words = f"Taken back: nobody says any more that this photo shows tray {number}."
    return done(addresses.photo(photo_id), words, undo=[Entry("assignment", entry)])


def said(
    service: Service, connection: sa.Connection, photos: Sequence[PhotoOut]
) -> list[PhotoWords]:
    """Photos in words."""
    say = Say(the_room(connection), service.clock())
    aged, misfit = ages(connection, photos, say), misfits(connection, photos, say.room)
    stands = standing(connection, photos, say)
    return [
        photo_words(
            photo,
            say,
            aged.get(photo.id, {}),
            misfit=misfit.get(photo.id),
            standing=stands.get(photo.id, NOTHING_STANDS),
        )
        for photo in photos
    ]


def _page(service: Service, request: Request, photo_id: int, typed: Typed) -> Response:
    with service.database.read() as connection:
        photo = photo_out(connection, photo_id)
        say = Say(the_room(connection), service.clock())
        (words,) = said(service, connection, [photo])
        page = PhotoPage(
            photo=photo,
            words=words,
            trays=tuple(tray_choices(connection, service.clock())),
            taken_at=_stands(typed, "taken_at", say.field_moment(photo.taken_at)),
            note=_stands(typed, "note", photo.note or ""),
            typed=typed,
        )
        return show(request, connection, "photos/photo.html", page, here=addresses.SNAP)


def _stands(typed: Typed, name: str, shown: str) -> str:
    """What stands in a field: what was typed, also where that is nothing, else what is known."""
    return (typed.text(name) or "") if name in typed.form else shown


def _known(connection: sa.Connection, ids: Sequence[int]) -> list[int]:
    return [photo_out(connection, one).id for one in dict.fromkeys(ids)]


def _heading(words: list[PhotoWords], *, unread: bool, named: bool, first: bool) -> str:
    if named:
        hold = sum(one.level == "hold" for one in words)
        look = sum(one.level == "look" for one in words)
        count = "1 photo was" if len(words) == 1 else f"{len(words)} photos were"
        asks = [f"hold {hold}" if hold else "", f"look at {look}" if look else ""]
        told = " and ".join(filter(None, asks)) or "nothing asks for a look"
        return f"{count} taken in: {told}"
    if not words and first:
        return "Every photo could be read" if unread else "No photo yet"
    return "Photos in which no tray could be read" if unread else "Photos, the last taken first"


def _beside(page: int, unread: bool) -> str:
    return addresses.photos(
        [("page", page if page > 1 else None), ("unread", "true" if unread else None)]
    )
