"""Cameras as they are entered: the rules of their addresses, and where these are kept."""

from collections.abc import Mapping
from datetime import time, timedelta
from pathlib import Path
from urllib.parse import SplitResult, urlsplit
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.cameras.camera_schedule import CameraSchedule, LightSpan, WaterCycle
from service.cameras.camera_sources import HttpSnapshot, Source, StreamCamera
from service.cameras.secrets_kept import AddressedResource, masked
from service.log.refusals import Refusal
from service.log.schema import CAMERA
from service.models import cameras as models
from service.models.cameras import CameraKind, CameraOptions
from service.room.resources import Values
from service.room.things import name_is_free
from service.settings import Settings
from trayvision.camera.camera import Camera

_SCHEMES = {
    CameraKind.SNAPSHOT: ("http", "https"),
    CameraKind.STREAM: ("rtsp", "rtsps", "http", "https"),
}
_LAST_USB = 63


def _check(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    name_is_free(CAMERA)(connection, values, thing_id)
    _check_address(CameraKind(values["kind"]), values["address"])
    if values["calibration"] is not None:
        _check_calibration(values["calibration"])


def _check_address(kind: CameraKind, address: str | None) -> None:
    if kind is CameraKind.SENDS:
        return
    if address is None:
        raise Refusal("address", f"must be given for a camera of kind {kind}")
    if kind is CameraKind.FOLDER:
        if not Path(address).is_absolute():
            raise Refusal("address", "must be the whole path of a folder, from / on")
    elif kind is CameraKind.USB:
        if _usb_number(address) is None:
            raise Refusal("address", f"must be a USB camera's number, 0 to {_LAST_USB}")
    else:
        parts = urlsplit(address)
        if parts.scheme not in _SCHEMES[kind] or not parts.hostname:
            raise Refusal("address", f"must begin with {'://, '.join(_SCHEMES[kind])}://")


def _shown(address: str) -> str:
    """An address as everybody may see it.

    Raises
    ------
    Refusal
        If a password ends the host too early, so that its rest would be shown as a path.
    """
    if "://" not in address:
        return address
    parts = urlsplit(address)
    cut = "@" in parts.path or "#" in address or ("@" in parts.query and not parts.path)
    if cut or not _has_port(parts):
        raise Refusal(
            "address",
            "must have / ? # @ : in its name and password written as %2F %3F %23 %40 %3A, @ and # "
            "in its path as well, and a port that is a number",
        )
    return masked(address)


def _has_port(parts: SplitResult) -> bool:
    """Whether a port, where one is given, can be one."""
    try:
        return parts.port != 0
    except ValueError:
        return False


def _check_calibration(calibration: Mapping[str, object]) -> None:
    from json import dumps

    try:
        Camera.from_json(dumps(calibration))
    except ValueError as error:
        raise Refusal("calibration", str(error)) from error


def _usb_number(address: str) -> int | None:
    digits = address.removeprefix("/dev/video")
    fits = digits.isascii() and digits.isdigit() and len(digits) <= 2 and int(digits) <= _LAST_USB
    return int(digits) if fits else None


CAMERAS = AddressedResource(
    CAMERA, models.NewCamera, models.CameraChange, models.Camera, check=_check, mask=_shown
)


def schedule_of(camera: models.Camera, zone: ZoneInfo) -> CameraSchedule:
    """A camera's schedule in the room's zone."""
    said = camera.options or CameraOptions()
    return CameraSchedule(
        zone,
        tuple(WaterCycle(time.fromisoformat(one.at), one.minutes) for one in said.water_cycles),
        tuple(
            LightSpan(time.fromisoformat(one.on), time.fromisoformat(one.off))
            for one in said.lights
        ),
        timedelta(minutes=said.before_minutes),
        timedelta(minutes=said.after_minutes),
        tuple(time.fromisoformat(clock) for clock in said.also_at),
    )


def is_asked(camera: models.Camera) -> bool:
    """Whether the service asks a camera for its photos, by its schedule."""
    return camera.kind not in (CameraKind.SENDS, CameraKind.FOLDER)


def source_of(connection: sa.Connection, camera: models.Camera, settings: Settings) -> Source:
    """Where a camera's pictures come from.

    Raises
    ------
    Refusal
        If it is a kind of camera that is not asked for pictures.
    """
    address = CAMERAS.address(connection, camera.id) or camera.address or ""
    seconds, most = settings.camera_seconds, settings.max_photo_bytes
    if camera.kind is CameraKind.SNAPSHOT:
        options = camera.options or CameraOptions()
        return HttpSnapshot(address, seconds, most, options.check_certificate)
    if camera.kind is CameraKind.STREAM:
        return StreamCamera(address, seconds, most)
    number = _usb_number(address)
    if camera.kind is CameraKind.USB and number is not None:
        return StreamCamera(number, seconds, most)
    raise Refusal("kind", f"must be snapshot, stream or usb to be asked for a photo: {camera.kind}")
