"""The fixed cameras as the reasons to look know them: their health, and what their photos show."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from math import hypot
from statistics import median
from typing import Any, Final

import sqlalchemy as sa

from service.cameras.camera_health import cameras_health
from service.cameras.camera_shots import active_cameras
from service.log.entries import current
from service.log.schema import CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION
from service.models.cameras import CameraHealth, CameraKind
from service.room.room_log import Row
from trayvision.attention.state import CameraState
from trayvision.quality_flags import Doubt

# Whether a camera is silent was judged by its own schedule already.
_AT_ONCE: Final = timedelta(0)
_NEVER: Final = timedelta(days=36_500)
# Its place is told from so many photos; a share of the picture's width that no hand nudges.
_PHOTOS: Final = 8
_MOVED_SHARE: Final = 0.08
# One photo without a tray may be a hand or a cloth before the camera. No run lasts longer than
# what is looked back on.
_PHOTOS_WITHOUT: Final = 2
_LOOKED_BACK: Final = timedelta(days=21)

Marks = dict[str, tuple[float, float]]


def camera_states(
    connection: sa.Connection, shelves: Mapping[int, str], now: datetime
) -> tuple[CameraState, ...]:
    """The fixed cameras that are in use, by name; phones that nobody set up are none.

    Parameters
    ----------
    connection : Connection
    shelves : mapping of shelf id to its name in the reasons to look
    now : aware datetime
    """
    health = {one.camera_id: one for one in cameras_health(connection, now).cameras}
    fixed = [
        camera
        for camera in active_cameras(connection)
        if camera.kind is not CameraKind.SENDS or camera.options is not None
    ]
    return tuple(
        _state(connection, health[camera.id], shelves.get(camera.shelf_id or 0), now)
        for camera in sorted(fixed, key=lambda one: one.name)
    )


def _state(
    connection: sa.Connection, health: CameraHealth, shelf: str | None, now: datetime
) -> CameraState:
    photos = _photos(connection, health.camera_id, now)
    moments = [photo["taken_at"] for photo in photos[:1]]
    if health.last_success_at is not None:
        moments.append(health.last_success_at)
    last = max(moments, default=None)
    seen = set(_doubts(connection, photos[0])) if photos else set()
    seen |= {
        doubt
        for doubt, is_so in (
            (Doubt.DIM, health.dark),
            (Doubt.FOGGED, health.fogged),
            (Doubt.BLURRED, health.blurred),
        )
        if is_so
    }
    lost = _lost_trays(connection, health.camera_id, photos)
    return CameraState(
        name=health.name,
        shelf=shelf,
        # One that is new and not silent yet has given no photo, and is not to blame for it.
        last_photo_at=last if last is not None or health.silent else now,
        silent_after=_AT_ONCE if health.silent else _NEVER,
        doubts=tuple(doubt for doubt in Doubt if doubt in seen),
        moved=_moved(connection, photos),
        lost_trays=lost,
        lost_at=photos[_PHOTOS_WITHOUT - 1]["taken_at"] if lost else None,
    )


def _photos(connection: sa.Connection, camera_id: int, now: datetime) -> list[Row]:
    """The last photos of a camera, latest first."""
    capture, passes = current(CAPTURE), current(PHOTO_INSPECTION)
    statement = (
        sa.select(capture.c.taken_at, passes.c.entry_id, passes.c.record)
        .join(passes, passes.c.photo_id == capture.c.photo_id)
        .where(capture.c.camera_id == camera_id, capture.c.taken_at <= now)
        .order_by(capture.c.taken_at.desc(), capture.c.id.desc())
        .limit(_PHOTOS)
    )
    return list(connection.execute(statement).mappings())


def _trays(connection: sa.Connection, pass_id: int) -> list[Mapping[str, Any]]:
    statement = sa.select(TRAY_INSPECTION.c.record).where(
        TRAY_INSPECTION.c.photo_inspection_id == pass_id
    )
    return list(connection.execute(statement).scalars())


def _doubts(connection: sa.Connection, photo: Row) -> tuple[Doubt, ...]:
    """What is doubtful of every tray in a photo, or kept it from being measured at all."""
    trays = [set(record["doubts"]) for record in _trays(connection, photo["entry_id"])]
    if trays:
        shared = set.intersection(*trays)
        return tuple(doubt for doubt in Doubt if doubt in shared)
    remarks = photo["record"]["remarks"]
    return tuple(doubt for doubt in Doubt if doubt.sentence in remarks)


def _moved(connection: sa.Connection, photos: Sequence[Row]) -> bool:
    """Whether all tags of the last photo lie elsewhere than they mostly did before."""
    if len(photos) < 2:
        return False
    now, *before = [_marks(connection, photo) for photo in photos]
    apart = []
    for tag, (x, y) in now.items():
        known = [marks[tag] for marks in before if tag in marks]
        if known:
            usual = median(one[0] for one in known), median(one[1] for one in known)
            apart.append(hypot(x - usual[0], y - usual[1]))
    return bool(apart) and min(apart) > _MOVED_SHARE


def _lost_trays(
    connection: sa.Connection, camera_id: int, photos: Sequence[Row]
) -> tuple[int, ...]:
    """The trays of the last photo that showed some, where the latest ones show none."""
    latest = photos[:_PHOTOS_WITHOUT]
    if len(latest) < _PHOTOS_WITHOUT or any(
        _trays(connection, photo["entry_id"]) for photo in latest
    ):
        return ()
    capture, passes = current(CAPTURE), current(PHOTO_INSPECTION)
    shown = (
        sa.select(passes.c.entry_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .where(
            capture.c.camera_id == camera_id,
            capture.c.taken_at < latest[-1]["taken_at"],
            capture.c.taken_at >= latest[0]["taken_at"] - _LOOKED_BACK,
            sa.exists().where(TRAY_INSPECTION.c.photo_inspection_id == passes.c.entry_id),
        )
        .order_by(capture.c.taken_at.desc())
        .limit(1)
    )
    last = connection.execute(shown).scalar()
    if last is None:
        return ()
    numbers = {record["tray"] for record in _trays(connection, last)}
    return tuple(sorted(number for number in numbers if number is not None))


def _marks(connection: sa.Connection, photo: Row) -> Marks:
    """First corners of all tags in a photo, as shares of its width."""
    width = photo["record"]["width"]
    return {
        tag: (corners[0][0] / width, corners[0][1] / width)
        for record in _trays(connection, photo["entry_id"])
        if record["pose"] is not None
        for tag, corners in record["pose"]["corners_px"].items()
    }
