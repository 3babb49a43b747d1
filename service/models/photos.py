"""Photos, what was measured on them, and what people say about them."""

from datetime import datetime
from enum import StrEnum
from typing import Any

from fastapi import UploadFile
from pydantic import Field

from service.models.base import LARGEST_ID, Change, Model, Moment, Name, Text
from service.models.room import Size, TrayNumber


class Watering(StrEnum):
    """Whether a photo was taken before or after watering."""

    BEFORE = "before"
    AFTER = "after"
    UNKNOWN = "unknown"


class TakenAtFrom(StrEnum):
    """Where the moment of a photo comes from."""

    GIVEN = "given"
    PHOTO = "photo"
    PHOTO_IN_ROOM_TIME = "photo, in the room's time"
    # Nothing tells: it counts from when it came in.
    RECEIVED = "received"


class PhotoOut(Model):
    """A photo with its inspections, as kept."""

    id: int
    sha256: str
    file: str
    taken_at: datetime
    taken_at_from: TakenAtFrom
    photo_said_at: datetime | None = Field(
        description="What its own clock said, where that is not believed."
    )
    received_at: datetime
    watering: Watering
    note: str | None
    camera: str | None
    width: int | None
    height: int | None
    problem: str | None = Field(description="Why no tray could be read; null when one could.")
    trays: list[dict[str, Any]] = Field(description="As in trayvision inspect --json.")
    not_measured: list[dict[str, Any]]
    remarks: list[str]
    assigned_trays: list[int] = Field(description="Trays that a person says the photo shows.")
    inspection_id: int
    library_version: str
    original: str | None = Field(description="Path of the original; null once let go by rule.")
    overlay: str | None
    thumbnail: str | None
    picture: str | None = Field(description="Path of the photo at screen size.")


class PhotosOut(Model):
    """Photos in the order in which they came, or newest first in a list."""

    photos: list[PhotoOut]


class PhotoForm(Model):
    """Photos as they are sent in."""

    photo: list[UploadFile] = Field(min_length=1, description="One or several photos.")
    taken_at: Moment | None = Field(None, description="Goes before what the photos say.")
    camera: Name | None = Field(None, description="Name of the camera that took them.")
    watering: Watering = Watering.UNKNOWN
    kept_at: Moment | None = Field(
        None,
        description="Since when a sender without a link kept them: the moment of photos that "
        "do not say when they were taken.",
    )


class PhotoQuery(Model):
    """Which photos are asked for."""

    tray: TrayNumber | None = None
    with_problem: bool | None = Field(
        None, description="Only those in which none, or some, tray could be read."
    )
    since: Moment | None = None
    until: Moment | None = None
    limit: int = Field(100, ge=1, le=1000)
    offset: int = Field(0, ge=0, le=LARGEST_ID)


class PhotoChange(Change):
    """What can be corrected of a photo: when it was taken, around which watering, the note."""

    taken_at: Moment | None = Field(
        None,
        description="Null where that is not known: the photo then counts from when it came in, "
        "and `taken_at_from` says received.",
    )
    watering: Watering | None = None
    note: Text | None = Field(None, description="Null takes it away.")


class NewAssignment(Model):
    """A person says which tray a photo shows whose tags do not tell."""

    tray: TrayNumber
    why: Text | None = None


# In px of the upright full-size photo.
Point = tuple[float, float]


class NewCorners(Model):
    """A person marks the opening of a tray that has no kit."""

    corners: tuple[Point, Point, Point, Point] = Field(
        description="Inner corners of the rim as [x, y] in px of the upright photo: near left, "
        "near right, far right, far left, as the photographer stood."
    )
    size: Size | None = Field(
        None, description="Inner size LxWxD in mm; default the tray's, else the room's."
    )
    tray: TrayNumber | None = Field(None, description="Which tray it is, where that is known.")
    why: Text | None = None
