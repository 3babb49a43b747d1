"""Tries of fixed cameras: which is due, what came of it, and what the log keeps of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO
from zoneinfo import ZoneInfo

import numpy as np
import sqlalchemy as sa
from PIL import Image

from service.background import delay_seconds
from service.cameras.camera_schedule import CameraSchedule, latest_shot, watering_at
from service.cameras.camera_sources import CameraTrouble, Source
from service.cameras.camera_things import CAMERAS, schedule_of
from service.context import Service
from service.log.outside_schema import CAMERA_SHOT
from service.log.refusals import Refusal
from service.models.cameras import Camera, PoorPicture, ShotOutcome
from service.models.photos import PhotoOut
from service.photos.ingest import IncomingPhoto, take_in
from service.room.room_log import Row, the_room
from trayvision.quality_flags import Doubt

# A shot that comes later than that is another photo than the one that was planned.
TRIED_FOR = timedelta(minutes=12)
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 10.0, 240.0
_MOST_CAMERAS = 1000
# Of 255, on the photo's thumbnail: a room with its lights on lies far above; judgement.
_DARK_LEVEL = 16.0
# Between the 5th and 95th hundredth; a fogged lens sends one grey. Judgement.
_FOG_CONTRAST = 24.0
_POOR_DOUBTS = {
    Doubt.DIM: PoorPicture.DARK,
    Doubt.FOGGED: PoorPicture.FOGGED,
    Doubt.BLURRED: PoorPicture.BLURRED,
}


@dataclass(frozen=True)
class NewShot:
    """One picture of a camera on its way into the log."""

    name: str
    content: bytes
    media_type: str
    taken_at: datetime | None
    planned_at: datetime | None = None


def active_cameras(connection: sa.Connection) -> list[Camera]:
    """Cameras in use."""
    found = CAMERAS.all(connection, limit=_MOST_CAMERAS, where={"active": True})
    return [camera for camera in found if isinstance(camera, Camera)]


def due_shot(
    schedule: CameraSchedule, tries: Sequence[Row], *, now: datetime, seed: Sequence[int]
) -> datetime | None:
    """The planned shot that a camera has to be asked for now, None where there is none.

    Parameters
    ----------
    schedule : CameraSchedule
    tries : sequence of rows of camera_shot
        Planned tries of this camera, any order; the last day's are enough.
    now : aware datetime
    seed : sequence of int
        Of the pauses' spread; each camera its own.
    """
    planned = latest_shot(schedule, now)
    if planned is None or now - planned > TRIED_FOR:
        return None
    own = [row for row in tries if row["planned_at"] == planned]
    if any(row["outcome"] != ShotOutcome.FAILED for row in own):
        return None
    if not own:
        return planned
    rng = np.random.default_rng([*seed, int(planned.timestamp()), len(own)])
    pause = delay_seconds(
        len(own), first=_FIRST_PAUSE_SECONDS, most=_LONGEST_PAUSE_SECONDS, chance=rng.random()
    )
    last = max(row["tried_at"] for row in own)
    return planned if now >= last + timedelta(seconds=pause) else None


def shots_of(
    connection: sa.Connection, camera_id: int, *, limit: int = 100, planned: bool = False
) -> list[Row]:
    """Last tries of a camera, latest first."""
    statement = (
        sa.select(CAMERA_SHOT)
        .where(CAMERA_SHOT.c.camera_id == camera_id)
        .order_by(CAMERA_SHOT.c.id.desc())
        .limit(limit)
    )
    if planned:
        statement = statement.where(CAMERA_SHOT.c.planned_at.is_not(None))
    return list(connection.execute(statement).mappings())


def take_shot(
    service: Service, camera: Camera, source: Source, *, planned_at: datetime | None = None
) -> Row:
    """Ask a camera for one picture and take it in; the try is logged whatever comes of it."""
    try:
        frame = source.grab()
    except CameraTrouble as trouble:
        return log_failure(service, camera, str(trouble), planned_at=planned_at)
    at = service.clock()
    suffix = frame.media_type.removeprefix("image/").replace("jpeg", "jpg")
    name = f"{camera.name} {at.astimezone(_zone(service)):%Y-%m-%d %H%M%S}.{suffix}"
    shot = NewShot(name, frame.content, frame.media_type, at, planned_at)
    try:
        return keep_shot(service, camera, shot)
    except Refusal as refusal:
        return log_failure(service, camera, str(refusal), planned_at=planned_at)


def keep_shot(service: Service, camera: Camera, shot: NewShot) -> Row:
    """Take a camera's picture in and log it; the same bytes again make no second photo.

    Raises
    ------
    Refusal
        If the photo cannot be taken in; `Busy` where it can be later.
    """
    schedule = schedule_of(camera, _zone(service))
    moment = service.clock() if shot.taken_at is None else shot.taken_at
    photo = IncomingPhoto(
        shot.name,
        shot.media_type,
        shot.content,
        taken_at=shot.taken_at,
        camera=camera.name,
        watering=watering_at(schedule, moment),
    )
    out, is_new = take_in(service, photo, service.entrant())
    outcome = ShotOutcome.PHOTO if is_new else ShotOutcome.SAME
    told = {"photo_id": out.id, "poor": poor_picture(service, out)}
    return _log(service, camera, {"planned_at": shot.planned_at, "outcome": outcome, **told})


def log_failure(
    service: Service, camera: Camera, why: str, *, planned_at: datetime | None = None
) -> Row:
    """Log a try that brought no photo."""
    failed = {"planned_at": planned_at, "outcome": ShotOutcome.FAILED, "error": why[:500]}
    return _log(service, camera, failed)


def poor_picture(service: Service, photo: PhotoOut) -> PoorPicture | None:
    """Whether the picture itself is dark, fogged or blurred; by its trays where they are read."""
    if photo.trays:
        doubts = [set(tray["doubts"]) for tray in photo.trays]
        shared = set.intersection(*doubts)
        return next((poor for doubt, poor in _POOR_DOUBTS.items() if doubt in shared), None)
    try:
        # Made by the reader of photos in its own process, so it is small and sound.
        with Image.open(
            BytesIO(service.store.derived(photo.sha256, "thumbnail.jpg").read_bytes())
        ) as image:
            grey = np.asarray(image.convert("L"), dtype=np.float64)
    except OSError:
        return None
    low, middle, high = np.percentile(grey, [5, 50, 95])
    if middle < _DARK_LEVEL and high < 2 * _DARK_LEVEL:
        return PoorPicture.DARK
    return PoorPicture.FOGGED if high - low < _FOG_CONTRAST else None


def _zone(service: Service) -> ZoneInfo:
    with service.database.read() as connection:
        return ZoneInfo(the_room(connection).time_zone)


def _log(service: Service, camera: Camera, values: Mapping[str, object]) -> Row:
    row = {"camera_id": camera.id, "tried_at": service.clock(), **values}
    with service.database.write() as connection:
        key = connection.execute(sa.insert(CAMERA_SHOT).values(**row)).inserted_primary_key
        assert key is not None
        found = sa.select(CAMERA_SHOT).where(CAMERA_SHOT.c.id == key[0])
        return connection.execute(found).mappings().one()
