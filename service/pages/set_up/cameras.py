"""Fixed cameras: entered, corrected, and tried while one stands before them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.accounts.accounts import add_person, give_token
from service.accounts.passwords import Passwords
from service.accounts.people import person_named
from service.accounts.roles import Role
from service.cameras.camera_health import camera_health, closed
from service.cameras.camera_rounds import CameraRounds
from service.cameras.camera_things import CAMERAS, is_asked
from service.context import Service
from service.log.entries import Entrant, history
from service.log.refusals import Conflict, Refusal
from service.log.schema import CAMERA
from service.models.accounts import NewPersonForm, NewToken
from service.models.base import LARGEST_ID
from service.models.cameras import (
    Camera,
    CameraChange,
    CameraHealth,
    CameraKind,
    CameraOptions,
    NewCamera,
    ShotOutcome,
)
from service.models.room import Shelf
from service.pages import addresses
from service.pages.forms.forms import TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.camera_check import CameraCheck, camera_check
from service.pages.set_up.camera_forms import (
    ADDRESSES,
    KINDS,
    held_camera,
    held_options,
    typed_camera,
)
from service.pages.set_up.fields import NOTHING_SAID, Fields, Said, shown_again
from service.pages.set_up.token_page import TokenPage, address_of_service, show_token
from service.pages.words import Say
from service.photos.ingest import tell_watchers
from service.room.room_log import the_room
from service.room.things import RACKS, SHELVES
from service.route_arguments import By, ThePasswords, TheService

router = APIRouter(include_in_schema=False)

CameraId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_ALL = 1000
_CAMERA = f"{addresses.SET_UP_CAMERAS}/{{camera_id}}"


@dataclass(frozen=True)
class CameraForm:
    """The fields of a camera of one kind."""

    kind: CameraKind
    address_label: str
    address_hint: str
    shelves: tuple[tuple[str, str], ...]
    fields: Fields


@dataclass(frozen=True)
class CamerasPage:
    """All cameras with how they are, and the form of a new one once its kind is chosen."""

    cameras: tuple[tuple[Camera, CameraHealth], ...]
    kinds: tuple[tuple[CameraKind, str], ...]
    form: CameraForm | None


@dataclass(frozen=True)
class CameraPage:
    """One camera: how it is, what its last photo says, and its form."""

    camera: Camera
    health: CameraHealth
    check: CameraCheck
    asked: bool
    form: CameraForm
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_CAMERAS)
def cameras_page(
    service: TheService, request: Request, kind: Annotated[CameraKind | None, Query()] = None
) -> Response:
    """All cameras, and a form for a new one."""
    with service.database.read() as connection:
        return _show_cameras(request, connection, kind, NOTHING_SAID)


@router.post(addresses.SET_UP_CAMERAS)
def post_camera(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Enters a camera."""
    kinds = [kind for kind in CameraKind if kind == typed.text("kind")]
    if not kinds:
        raise Refusal("kind", "must be chosen")
    kind = kinds[0]

    def act() -> Response:
        new = NewCamera.model_validate(typed_camera(typed, kind) | {"active": True})
        with service.database.write() as connection:
            camera = CAMERAS.add(connection, new, by)
        tell_watchers(service, ())
        said = f"{new.name} is entered. Now try it."
        undo, list_of_all = [Entry("camera", camera.entry_id)], addresses.SET_UP_CAMERAS
        return done(f"{list_of_all}/{camera.id}", said, undo=undo, undone=list_of_all)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_cameras(request, connection, kind, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.get(_CAMERA)
def camera_page(service: TheService, request: Request, camera_id: CameraId) -> Response:
    """One camera and what it sees."""
    with service.database.read() as connection:
        return _show_camera(request, connection, camera_id, NOTHING_SAID)


@router.post(_CAMERA)
def patch_camera(
    service: TheService, by: By, request: Request, camera_id: CameraId, typed: TypedForm
) -> Response:
    """Corrects a camera; what is secret in its address stays where it is not typed anew."""

    def act() -> Response:
        with service.database.write() as connection:
            before = CAMERAS.get(connection, camera_id)
            assert isinstance(before, Camera)
            change = CameraChange.model_validate(typed_camera(typed, before.kind))
            camera = CAMERAS.correct(connection, camera_id, change, by)
        tell_watchers(service, ())
        to, undo = f"{addresses.SET_UP_CAMERAS}/{camera_id}", [Entry("camera", camera.entry_id)]
        return done(to, f"{change.name} is corrected.", undo=undo)

    return answered(typed, act, shown_again(service, "form", _shown(request, camera_id)))


@router.post(f"{_CAMERA}/shot")
def post_shot(
    service: TheService, request: Request, camera_id: CameraId, typed: TypedForm
) -> Response:
    """Takes a picture now, waits for its measuring, and shows what it says."""

    def act() -> Response:
        rounds: CameraRounds = request.app.state.cameras
        row = rounds.try_now(camera_id)
        told = {
            ShotOutcome.PHOTO: "A picture was taken just now.",
            ShotOutcome.SAME: "It gave the same picture as before.",
        }
        said = told.get(row["outcome"], f"It gave no picture: {closed(row['error'] or '')}")
        return done(f"{addresses.SET_UP_CAMERAS}/{camera_id}", said)

    return answered(typed, act, shown_again(service, "shot", _shown(request, camera_id)))


@router.post(f"{_CAMERA}/withdraw")
def post_withdraw_camera(
    service: TheService, by: By, request: Request, camera_id: CameraId, typed: TypedForm
) -> Response:
    """Takes a camera out of the list that was entered by mistake; its address is let go."""

    def act() -> Response:
        with service.database.write() as connection:
            camera = CAMERAS.get(connection, camera_id)
            assert isinstance(camera, Camera)
            try:
                CAMERAS.withdraw(connection, camera_id, by=by, why=None)
            except Conflict as conflict:
                raise Conflict(
                    "camera", "has taken photos that name it: untick “In use” instead"
                ) from conflict
            entry_id = history(connection, CAMERA, camera_id)[-1]["id"]
        tell_watchers(service, ())
        said = f"{camera.name} is out of the list. Its address is let go unless this is undone."
        return done(addresses.SET_UP_CAMERAS, said, undo=[Entry("camera", entry_id)])

    return answered(typed, act, shown_again(service, "withdraw", _shown(request, camera_id)))


@router.post(f"{_CAMERA}/token")
def post_token(
    service: TheService,
    passwords: ThePasswords,
    by: By,
    request: Request,
    camera_id: CameraId,
) -> Response:
    """Makes a token for a camera that sends its photos; it is shown this once."""
    with service.database.read() as connection:
        camera = CAMERAS.get(connection, camera_id)
    assert isinstance(camera, Camera)
    if camera.kind is not CameraKind.SENDS:
        raise Conflict("kind", f"must be {CameraKind.SENDS} for a token, got {camera.kind}")
    holder = _holder(service, passwords, f"Camera {camera.name}", by)
    new = NewToken.model_validate({"name": camera.name, "role": Role.CAMERA})
    made = give_token(service, new, holder, by)
    back = f"{addresses.SET_UP_CAMERAS}/{camera_id}"
    page = TokenPage(made.name, made.secret, camera.name, address_of_service(request), back)
    return show_token(request, page)


def _holder(service: Service, passwords: Passwords, name: str, by: Entrant) -> int:
    """A person without a password in whose hand a camera's token is.

    So it does not end when somebody changes the own password.
    """
    with service.database.read() as connection:
        row = person_named(connection, name)
    if row is not None:
        return int(row["id"])
    new = NewPersonForm.model_validate({"name": name, "role": Role.WORKER})
    return add_person(service, passwords, new, by).id


def _shown(request: Request, camera_id: int) -> Callable[[sa.Connection, Said], Response]:
    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_camera(request, connection, camera_id, said)

    return shown


def _show_cameras(
    request: Request, connection: sa.Connection, kind: CameraKind | None, said: Said
) -> Response:
    service: Service = request.app.state.service
    say = Say(the_room(connection), service.clock())
    cameras = [one for one in CAMERAS.all(connection, limit=_ALL) if isinstance(one, Camera)]
    form = None
    if kind is not None:
        held = held_options(CameraOptions())
        form = _form(connection, kind, said.fields("form", held))
    page = CamerasPage(
        tuple(
            (camera, camera_health(connection, camera, zone=say.zone, now=say.now))
            for camera in cameras
        ),
        KINDS,
        form,
    )
    return show(request, connection, "set_up/cameras.html", page, here=addresses.MORE)


def _show_camera(
    request: Request, connection: sa.Connection, camera_id: int, said: Said
) -> Response:
    service: Service = request.app.state.service
    say = Say(the_room(connection), service.clock())
    camera = CAMERAS.get(connection, camera_id)
    assert isinstance(camera, Camera)
    health = camera_health(connection, camera, zone=say.zone, now=say.now)
    page = CameraPage(
        camera,
        health,
        camera_check(connection, service.store, camera, health, say),
        is_asked(camera),
        _form(connection, camera.kind, said.fields("form", held_camera(camera))),
        said.broken,
    )
    return show(request, connection, "set_up/camera.html", page, here=addresses.MORE)


def _form(connection: sa.Connection, kind: CameraKind, fields: Fields) -> CameraForm:
    racks = {rack.id: getattr(rack, "name", "") for rack in RACKS.all(connection, limit=_ALL)}
    shelves = [one for one in SHELVES.all(connection, limit=_ALL) if isinstance(one, Shelf)]
    label, hint = ADDRESSES.get(kind, ("", ""))
    return CameraForm(
        kind,
        label,
        hint,
        (("", "No shelf"),)
        + tuple((str(one.id), f"{racks[one.rack_id]}, {one.name}") for one in shelves),
        fields,
    )
