"""What is done to a photo that is kept: measured again, corrected, shown."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service.cameras.camera_poses import earlier_poses
from service.context import Service
from service.growth.bed_heights import beds_by_number
from service.log.entries import Entrant, correct, current, history, withdraw
from service.log.refusals import Conflict, NotFound, Refusal
from service.log.schema import CAMERA, CAPTURE, PHOTO, PHOTO_INSPECTION, TRAY_CORNERS
from service.log.told_moments import PHOTO_FURTHEST_AHEAD, refuse_ahead
from service.models.photos import NewCorners, PhotoChange, PhotoOut
from service.models.room import Room
from service.photos.ingest import keep_pictures, photo_trays, tell_watchers
from service.photos.inspection_job import InspectedPhoto, InspectionJob
from service.photos.inspection_log import enter_inspection
from service.photos.photo_log import capture_of, photo_out
from service.room.marked_corners import corners_id, enter_corners, marked_as, marked_of
from service.room.room_log import Row, one, the_room, told_moment, tray_sizes
from service.runs.run_calendar import run_spans_by_number
from trayvision.pose.marked_tray import MarkedTray
from trayvision.quality_flags import Doubt


@dataclass(frozen=True)
class MeasuredAgain:
    """What a kept photo measured anew, not entered yet: `digest` names the photo in the store."""

    photo_id: int
    digest: str
    inspected: InspectedPhoto


@dataclass(frozen=True)
class KeptPhoto:
    """A photo whose original is there: what it is measured from, and whether it could be read."""

    id: int
    digest: str
    job: InspectionJob
    was_read: bool


def kept_photo(service: Service, photo_id: int) -> KeptPhoto:
    """A photo to be measured as it was before, with what the log knows now.

    Raises
    ------
    NotFound
        If there is no such photo.
    Conflict
        If its original was let go.
    """
    digest, job = _kept(service, photo_id)
    with service.database.read() as connection:
        last = photo_out(connection, photo_id)
    whole = any(
        Doubt.NO_KIT in tray["doubts"] and tray.get("marked") is None for tray in last.trays
    )
    return KeptPhoto(photo_id, digest, replace(job, whole_photo=whole), last.width is not None)


def measure_again(
    service: Service, photo_id: int, by: Entrant, *, whole_photo: bool = False
) -> PhotoOut:
    """Measure a kept photo once more, with what the log knows now, beside what was measured.

    Raises
    ------
    NotFound
        If there is no such photo.
    Conflict
        If its original was let go.
    """
    digest, job = _kept(service, photo_id)
    inspected = service.inspector.inspect(replace(job, whole_photo=whole_photo))
    return keep_measured(service, MeasuredAgain(photo_id, digest, inspected), by=by)


def measure_as_marked(service: Service, photo_id: int, marked: MarkedTray | None) -> MeasuredAgain:
    """Measure a kept photo with other corners than the log has, or with none; enters nothing.

    Raises
    ------
    Busy
        If too many photos wait to be measured.
    Conflict
        If the photo's original was let go.
    """
    digest, job = _kept(service, photo_id)
    return MeasuredAgain(photo_id, digest, service.inspector.inspect(replace(job, marked=marked)))


def enter_measured(connection: sa.Connection, measured: MeasuredAgain, by: Entrant) -> None:
    """Enter what was measured beside what was measured before."""
    record = measured.inspected.record | {"sha256": measured.digest}
    enter_inspection(connection, measured.photo_id, record, version("trayvision"), by=by)


def mark_corners(
    service: Service, photo_id: int, new: NewCorners, by: Entrant
) -> tuple[PhotoOut, int]:
    """Say by hand where a tray without a kit lies on a photo, and measure it there.

    Returns
    -------
    tuple of PhotoOut, int
        The photo, and the row that was entered for the corners.

    Raises
    ------
    NotFound
        If there is no such photo or tray.
    Refusal
        If the corners fit no tray.
    Conflict
        If the photo's original was let go.
    """
    _kept(service, photo_id)
    with service.database.read() as connection:
        marked = marked_as(connection, new)
    measured = measure_as_marked(service, photo_id, marked)
    problem = measured.inspected.record["problem"]
    if problem is not None:
        raise Refusal("corners", f"must fit a tray. {problem}")
    entered: list[int] = []

    def enter_with_it(connection: sa.Connection) -> None:
        entered.append(enter_corners(connection, photo_id, marked, by=by, why=new.why))

    out = keep_measured(service, measured, by=by, also=enter_with_it)
    return out, entered[0]


def withdraw_corners(
    service: Service, photo_id: int, by: Entrant, *, why: str | None = None
) -> PhotoOut:
    """Take back what was marked on a photo, and measure it again. Raises NotFound, Conflict."""
    measured = measure_as_marked(service, photo_id, None)

    def withdraw_with_it(connection: sa.Connection) -> None:
        given = corners_id(connection, photo_id)
        if given is None:
            raise NotFound("corners", f"on photo {photo_id}")
        withdraw(connection, TRAY_CORNERS, given, by=by, why=why)

    return keep_measured(service, measured, by=by, also=withdraw_with_it)


def keep_measured(
    service: Service,
    measured: MeasuredAgain,
    *,
    by: Entrant,
    also: Callable[[sa.Connection], None] | None = None,
) -> PhotoOut:
    """Enter what was measured beside what was measured before, and what belongs to it."""
    photo_id = measured.photo_id
    before = photo_trays(service, photo_id)
    keep_pictures(service, measured.digest, measured.inspected)
    with service.database.write() as connection:
        if also is not None:
            also(connection)
        enter_measured(connection, measured, by)
        out = photo_out(connection, photo_id)
    tell_watchers(service, before | photo_trays(service, photo_id))
    return out


def correct_photo(service: Service, photo_id: int, change: PhotoChange, by: Entrant) -> PhotoOut:
    """Correct what is said of a photo; a new moment moves it to where it belongs.

    Where nobody knows any more when it was taken, it counts from when it came in.

    Raises
    ------
    NotFound
        If there is no such photo.
    Refusal
        If the moment lies ahead, or nothing is said instead of a watering.
    """
    values: dict[str, Any] = change.model_dump(exclude_unset=True, exclude={"why"})
    if values.get("watering", "") is None:
        raise Refusal("watering", "must have a value, got null")
    with service.database.write() as connection:
        capture = capture_of(connection, photo_id)
        if "taken_at" in values:
            given = values["taken_at"]
            values["taken_at"] = (
                _came_at(connection, photo_id, capture["id"])
                if given is None
                else _moment_given(given, the_room(connection), by)
            )
            values["taken_at_from"] = "received" if given is None else "given"
        correct(connection, CAPTURE, capture["id"], values, by=by, why=change.why)
        out = photo_out(connection, photo_id)
    tell_watchers(service, photo_trays(service, photo_id))
    return out


def _moment_given(taken_at: datetime, room: Room, by: Entrant) -> datetime:
    moment = told_moment("taken_at", taken_at, room)
    refuse_ahead("taken_at", moment, by.at, furthest=PHOTO_FURTHEST_AHEAD)
    return moment


def _came_at(connection: sa.Connection, photo_id: int, capture_id: int) -> datetime:
    """Since when somebody has a photo, as its sender said at first, else as it was received."""
    first = history(connection, CAPTURE, capture_id)[0]
    if first["taken_at_from"] == "received":
        at: datetime = first["taken_at"]
        return at
    received_at: datetime = _row(connection, photo_id)["received_at"]
    return received_at


def original(service: Service, photo_id: int) -> tuple[Path, str]:
    """Path of a photo's original, and what it was called. Raises like `measure_again`."""
    digest, job = _kept(service, photo_id)
    return service.store.original(digest), job.name


def picture(service: Service, photo_id: int, name: str) -> Path:
    """Path of a derived picture, made again where it is missing.

    Raises
    ------
    NotFound
        If there is no such photo, or nothing of that kind can be drawn of it.
    Conflict
        If it is missing and the original was let go.
    """
    with service.database.read() as connection:
        digest = _row(connection, photo_id)["sha256"]
        record = _last_record(connection, photo_id)
    path = service.store.derived(digest, name)
    if path.exists():
        return path
    if record["width"] is not None:
        _, job = _kept(service, photo_id)
        keep_pictures(service, digest, service.inspector.inspect(job))
    if not path.exists():
        raise NotFound("picture", f"{name} of photo {photo_id}")
    return path


def _kept(service: Service, photo_id: int) -> tuple[str, InspectionJob]:
    with service.database.read() as connection:
        row = _row(connection, photo_id)
        if not row["original_kept"]:
            raise Conflict("photo", f"{photo_id} cannot be read again: its original was let go")
        return row["sha256"], _job(service, connection, row, capture_of(connection, photo_id))


def _row(connection: sa.Connection, photo_id: int) -> Row:
    row = connection.execute(sa.select(PHOTO).where(PHOTO.c.id == photo_id)).mappings().first()
    if row is None:
        raise NotFound("photo", photo_id)
    return row


def _last_record(connection: sa.Connection, photo_id: int) -> Mapping[str, Any]:
    now = current(PHOTO_INSPECTION)
    statement = sa.select(now.c.record).where(now.c.photo_id == photo_id)
    record: Mapping[str, Any] = connection.execute(statement).scalar_one()
    return record


def _job(service: Service, connection: sa.Connection, row: Any, capture: Any) -> InspectionJob:
    room = the_room(connection)
    camera_id = capture["camera_id"]
    return InspectionJob(
        path=service.store.original(row["sha256"]),
        name=row["name"],
        received_at=row["received_at"],
        room_zone=room.time_zone,
        tray_size=room.tray_size,
        sizes=tray_sizes(connection),
        runs=run_spans_by_number(connection),
        beds=beds_by_number(connection, capture["taken_at"], capture["taken_at"]),
        taken_at=capture["taken_at"],
        marked=marked_of(connection, row["id"]),
        calibration=None
        if camera_id is None
        else one(connection, CAMERA, camera_id)["calibration"],
        earlier=None
        if camera_id is None
        else earlier_poses(connection, service.store, camera_id, before=capture["taken_at"]),
    )
