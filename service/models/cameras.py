"""Fixed cameras: where they look, when they take photos, and how they are."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any

from pydantic import AfterValidator, Field, StringConstraints

from service.log.free_values import check_free
from service.models.base import Change, Entered, Model, Name, ThingId

ClockTime = Annotated[
    str,
    StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$"),
    Field(description="Clock time in the room's zone, HH:MM."),
]
Minutes = Annotated[float, Field(ge=0, le=12 * 60)]
CameraAddress = Annotated[
    str,
    StringConstraints(
        strip_whitespace=True, min_length=1, max_length=2000, pattern=r"^[^\x00-\x1f\x7f]*$"
    ),
]

Calibration = Annotated[dict[str, Any], AfterValidator(check_free)]


class CameraKind(StrEnum):
    """How photos come from a camera."""

    SENDS = "sends photos"
    FOLDER = "folder"
    SNAPSHOT = "snapshot"
    STREAM = "stream"
    USB = "usb"


class CycleTime(Model):
    """Water runs every day from a clock time on, for some minutes."""

    at: ClockTime
    minutes: Minutes = 0.0


class LightTime(Model):
    """Lights are on every day from one clock time to another."""

    on: ClockTime
    off: ClockTime


class CameraOptions(Model):
    """What a camera's photos are tied to."""

    water_cycles: list[CycleTime] = Field(default_factory=list, max_length=48)
    lights: list[LightTime] = Field(
        default_factory=list,
        max_length=12,
        description="No photo outside of these; empty: always light enough.",
    )
    before_minutes: Minutes = Field(default=5.0, description="A photo so long before each cycle.")
    after_minutes: Minutes = Field(
        default=15.0, description="A photo so long after each cycle's end."
    )
    also_at: list[ClockTime] = Field(default=["12:00"], max_length=24)
    silent_after_hours: float = Field(
        default=26.0,
        gt=0,
        le=24 * 30,
        description="A camera whose photos are not planned is silent after so long.",
    )
    check_certificate: bool = Field(
        default=True, description="False for a camera with a certificate that it made itself."
    )


class NewCamera(Model):
    """A fixed camera over a shelf."""

    name: Name
    kind: CameraKind
    shelf_id: ThingId | None = None
    address: CameraAddress | None = Field(
        default=None,
        description="Folder (its subfolders count as well), http(s) address of a snapshot, rtsp(s) "
        "or http(s) address of a stream, or a USB camera's number. A name and password in it are "
        "never shown again.",
    )
    options: CameraOptions = CameraOptions()
    calibration: Calibration | None = Field(default=None, description="As in CAMERA.json.")
    active: bool = True


class CameraChange(Change):
    """What can be corrected of a camera."""

    name: Name | None = None
    kind: CameraKind | None = None
    shelf_id: ThingId | None = None
    address: CameraAddress | None = None
    options: CameraOptions | None = None
    calibration: Calibration | None = None
    active: bool | None = None


class Camera(Entered):
    """A fixed camera; what is secret in its address is masked."""

    name: str
    kind: CameraKind
    shelf_id: int | None
    address: str | None
    options: CameraOptions | None
    calibration: dict[str, Any] | None
    active: bool


class ShotOutcome(StrEnum):
    """What came of one try."""

    PHOTO = "photo"
    SAME = "same"
    FAILED = "failed"


class PoorPicture(StrEnum):
    """What is wrong with the picture itself."""

    DARK = "dark"
    FOGGED = "fogged"
    BLURRED = "blurred"


class CameraShot(Model):
    """One try of a camera."""

    planned_at: datetime | None = Field(description="Null: not planned, a file or by hand.")
    tried_at: datetime
    outcome: ShotOutcome = Field(description="same: the bytes of a photo that is kept already.")
    error: str | None
    photo_id: int | None
    poor: PoorPicture | None


class CameraHealth(Model):
    """How a camera is."""

    camera_id: int
    name: str
    ok: bool = Field(description="Nothing to complain of; an inactive camera is not judged.")
    last_success_at: datetime | None
    last_error_at: datetime | None
    last_error: str | None
    consecutive_failures: int
    dark: bool
    fogged: bool
    blurred: bool
    frozen: bool = Field(description="It gives the same picture again and again.")
    silent: bool = Field(description="No photo although some were due.")
    clock_says_at: datetime | None = Field(
        description="What its last photo said, where that is not believed: the photo counts from "
        "when it came in."
    )
    next_shot_at: datetime | None
    sentence: str = Field(description="The same in words.")
    shots: list[CameraShot] = Field(description="The last tries, latest first.")


class CamerasHealth(Model):
    """How all active cameras are."""

    cameras: list[CameraHealth]
