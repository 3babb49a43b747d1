"""Photos in: kept, measured, entered; acknowledged only when photo and record are on the disk."""

import logging
import re
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from service.cameras.camera_clock import not_before
from service.cameras.camera_poses import earlier_poses
from service.context import Service
from service.growth.bed_heights import beds_by_number
from service.log.entries import Entrant, current, enter
from service.log.file_lock import originals_stay
from service.log.full_disk import full_disk_refused
from service.log.refusals import Refusal, TooLarge
from service.log.schema import ASSIGNMENT, CAMERA, PHOTO_INSPECTION, TRAY_INSPECTION
from service.log.told_moments import refuse_ahead
from service.models.photos import PhotoOut, Watering
from service.models.room import Room
from service.photos.inspection_job import BedSpan, InspectedPhoto, InspectionJob
from service.photos.inspection_log import NewPhoto, enter_photo, find_photo
from service.photos.photo_log import photo_out
from service.photos.retention_log import enter_put_back
from service.room.room_log import in_utc, one, the_room, told_moment, tray_sizes
from service.runs.run_calendar import run_spans_by_number
from trayvision.photo.photo import PICTURE_KINDS, picture_type

_LOG = logging.getLogger(__name__)
_LONGEST_NAME = 200
# Marks of direction: with them gpj.exe is shown as exe.jpg.
_TURNING = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
# A photo that tells its own moment may come after its tray was harvested.
_HARVESTED_MEANWHILE = timedelta(days=3)


@dataclass(frozen=True)
class IncomingPhoto:
    """A photo as it came, with what was said of it; `kept_at` is when its sender took it in."""

    name: str
    media_type: str
    content: bytes
    taken_at: datetime | None = None
    camera: str | None = None
    watering: Watering = Watering.UNKNOWN
    kept_at: datetime | None = None


def take_in(service: Service, photo: IncomingPhoto, by: Entrant) -> tuple[PhotoOut, bool]:
    """Keep, measure and enter one photo; the same bytes again change nothing of the record.

    They put back an original that was let go.

    Returns
    -------
    tuple of PhotoOut, bool
        The photo as kept, and whether it is new. On return all of it is durable.

    Raises
    ------
    Refusal
        If the photo is empty or no picture, or said to be taken more than a day from now.
    TooLarge
        If it has more bytes than the settings allow.
    Busy
        If too many photos wait to be measured.
    NoRoom
        If the disk is full.
    """
    _check_size(service, photo)
    with full_disk_refused():
        taken, is_new = _kept(service, photo, by)
    if is_new:
        tell_watchers(service, photo_trays(service, taken.id))
    return taken, is_new


def _kept(service: Service, photo: IncomingPhoto, by: Entrant) -> tuple[PhotoOut, bool]:
    digest = sha256(photo.content).hexdigest()
    known = _known(service, digest)
    if known is not None:
        return (known if known.original else _put_back(service, known, photo.content)), False
    _refuse_other_files(photo)
    path = service.store.keep_original(digest, photo.content)
    name = _clean(photo.name)
    job, camera_id = _job(service, photo, path, by)
    inspected = service.inspector.inspect(job)
    new = NewPhoto(
        sha256=digest,
        name=name,
        media_type=_clean(photo.media_type),
        size_bytes=len(photo.content),
        watering=photo.watering,
        camera_id=camera_id,
        inspected=replace(inspected, record=inspected.record | {"sha256": digest}),
        library_version=version("trayvision"),
    )
    keep_pictures(service, digest, inspected)
    try:
        with service.database.write() as connection:
            return photo_out(connection, enter_photo(connection, new, by)), True
    except IntegrityError:
        # The same bytes came twice at once and the other was first.
        known = _known(service, digest)
        if known is None:
            raise
        return known, False


def _put_back(service: Service, known: PhotoOut, content: bytes) -> PhotoOut:
    """Keep an original again that was let go; not while the rule is held, which would delete it."""
    with originals_stay(service.settings.data):
        service.store.keep_original(known.sha256, content)
        with service.database.write() as connection:
            enter_put_back(connection, known.id)
            return photo_out(connection, known.id)


def take_in_all(
    service: Service, photos: Sequence[Callable[[], IncomingPhoto]], by: Entrant
) -> list[tuple[PhotoOut, bool] | Refusal]:
    """Keep, measure and enter photos side by side, as many as are measured at once.

    Parameters
    ----------
    service : Service
    photos : sequence of callable
        Each reads one photo; called when its turn comes, so that few are held at a time.
    by : Entrant

    Returns
    -------
    list of tuple of PhotoOut, bool, or Refusal
        As `take_in` gives or raises them, in the order of the photos; what refuses one does not
        keep the others out.
    """

    def one(read: Callable[[], IncomingPhoto]) -> tuple[PhotoOut, bool] | Refusal:
        try:
            return take_in(service, read(), by)
        except Refusal as refusal:
            return refusal

    with ThreadPoolExecutor(service.settings.inspectors) as pool:
        return list(pool.map(one, photos))


def tell_watchers(service: Service, tray_ids: Collection[int]) -> None:
    """Let the watchers work out what follows; what was entered stands whatever they raise."""
    for watcher in service.watchers:
        try:
            watcher(service, tray_ids)
        except Exception:
            _LOG.exception("a watcher failed on trays %s", sorted(tray_ids))


def keep_pictures(service: Service, digest: str, inspected: InspectedPhoto) -> None:
    """Keep the pictures that were drawn of a photo."""
    for name, content in inspected.pictures.items():
        service.store.keep_derived(digest, name, content)


def photo_trays(service: Service, photo_id: int) -> set[int]:
    """Ids of all trays that a photo ever showed or was assigned to."""
    seen = (
        sa.select(TRAY_INSPECTION.c.tray_id)
        .join(PHOTO_INSPECTION, PHOTO_INSPECTION.c.id == TRAY_INSPECTION.c.photo_inspection_id)
        .where(PHOTO_INSPECTION.c.photo_id == photo_id, TRAY_INSPECTION.c.tray_id.is_not(None))
    )
    given = sa.select(ASSIGNMENT.c.tray_id).where(ASSIGNMENT.c.photo_id == photo_id)
    with service.database.read() as connection:
        return {*connection.execute(seen).scalars(), *connection.execute(given).scalars()}


def _check_size(service: Service, photo: IncomingPhoto) -> None:
    if not photo.content:
        raise Refusal(
            "photo", f"must have a picture in it, but the file {_clean(photo.name)} is empty"
        )
    if len(photo.content) > service.settings.max_photo_bytes:
        raise TooLarge(
            "photo",
            f"must have at most {service.settings.max_photo_bytes / 1e6:g} MB, "
            f"but {_clean(photo.name)} has more",
        )


def _refuse_other_files(photo: IncomingPhoto) -> None:
    """Refuse what begins as no picture does; one that is cut short or damaged is kept."""
    if picture_type(photo.content) is None:
        begins = photo.content[:12].decode("latin-1")
        raise Refusal(
            "photo",
            f"must be a picture ({PICTURE_KINDS}), but {_clean(photo.name)} is none: it begins "
            f"with {begins!a}",
        )


def _known(service: Service, digest: str) -> PhotoOut | None:
    with service.database.read() as connection:
        photo_id = find_photo(connection, digest)
        return None if photo_id is None else photo_out(connection, photo_id)


def _job(
    service: Service, photo: IncomingPhoto, path: Path, by: Entrant
) -> tuple[InspectionJob, int | None]:
    beds = _beds(service, photo, by)
    with service.database.write() as connection:
        room = the_room(connection)
        camera = None if photo.camera is None else _camera(connection, photo.camera, by)
        received_at = _first_had_at(photo, room, by)
        job = InspectionJob(
            path=path,
            name=_clean(photo.name),
            received_at=received_at,
            room_zone=room.time_zone,
            tray_size=room.tray_size,
            sizes=tray_sizes(connection),
            runs=run_spans_by_number(connection),
            beds=beds,
            taken_at=None if photo.taken_at is None else _taken(photo.taken_at, room, by),
            calibration=None if camera is None else camera["calibration"],
            not_before=None if camera is None else not_before(connection, camera, received_at),
            earlier=None
            if camera is None
            else earlier_poses(connection, service.store, camera["id"], before=by.at),
        )
        return job, None if camera is None else camera["id"]


def _taken(taken_at: datetime, room: Room, by: Entrant) -> datetime:
    """When a photo was taken as its sender says, in UTC, at most now.

    Raises Refusal where that lies more than a day ahead.
    """
    moment = told_moment("taken_at", taken_at, room)
    refuse_ahead("taken_at", moment, by.at)
    return min(moment, by.at)


def _beds(service: Service, photo: IncomingPhoto, by: Entrant) -> dict[int, tuple[BedSpan, ...]]:
    """Read apart: what a writer reads is not kept for the next."""
    with service.database.read() as connection:
        room = the_room(connection)
        if photo.taken_at is not None:
            moment = in_utc(photo.taken_at, room)
            return beds_by_number(connection, moment, moment)
        had_at = _first_had_at(photo, room, by)
        return beds_by_number(connection, had_at - _HARVESTED_MEANWHILE, had_at)


def _first_had_at(photo: IncomingPhoto, room: Room, by: Entrant) -> datetime:
    """Since when somebody has the photo; a sender's clock that runs ahead is not believed."""
    return by.at if photo.kept_at is None else min(in_utc(photo.kept_at, room), by.at)


def _camera(connection: sa.Connection, name: str, by: Entrant) -> Any:
    """The camera with a name, or that had it before; a new one where no camera ever had."""
    now = current(CAMERA)
    had = sa.select(sa.func.coalesce(CAMERA.c.original_id, CAMERA.c.id)).where(
        CAMERA.c.name == name
    )
    # What sends photos goes on with the name that it was set up with. Of several that had it the
    # youngest is meant.
    named = (
        sa.select(now)
        .where(sa.or_(now.c.name == name, now.c.id.in_(had)))
        .order_by((now.c.name == name).desc(), now.c.id.desc())
    )
    found = connection.execute(named.limit(1)).mappings().first()
    if found is not None:
        return found
    values = {"name": name, "kind": "sends photos", "active": True}
    return one(connection, CAMERA, enter(connection, CAMERA, values, by))


def _clean(name: str) -> str:
    """A name that can be stored, shown and put into a message."""
    readable = name.encode("utf-8", "replace").decode("utf-8")
    return re.sub(r"[\x00-\x1f\x7f]", "?", readable)[:_LONGEST_NAME] or "photo"


def file_name(name: str) -> str:
    """A name under which a photo can be handed out: no folders, no marks that turn its letters."""
    last = re.split(r"[/\\]", _TURNING.sub("", _clean(name)))[-1]
    return last.lstrip(".") or "photo"
