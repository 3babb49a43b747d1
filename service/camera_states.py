"""How the fixed cameras fare, as far as their photos in the log tell."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from service.entries import current
from service.room_log import Row
from service.schema import CAMERA, CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION
from trayvision.attention_state import CameraState
from trayvision.quality_flags import Doubt

# Photos may name their camera by themselves: a phone that nobody set up is never silent.
_SENDS: Final = "sends photos"
_SILENT_AFTER: Final = timedelta(hours=26)


def camera_states(
    connection: sa.Connection, shelves: Mapping[int, str], now: datetime
) -> tuple[CameraState, ...]:
    """The fixed cameras that are in use; a new one is given its time for a first photo."""
    cameras = current(CAMERA)
    statement = sa.select(cameras).where(cameras.c.active.is_(sa.true())).order_by(cameras.c.name)
    states = []
    for camera in connection.execute(statement).mappings():
        if camera["kind"] == _SENDS and not camera["options"]:
            continue
        last = _last_photo(connection, camera["id"], now)
        silent_after = _silent_after(camera)
        if last is None and now - camera["first_entered_at"] <= silent_after:
            continue
        states.append(
            CameraState(
                name=camera["name"],
                shelf=shelves.get(camera["shelf_id"]),
                last_photo_at=None if last is None else last["taken_at"],
                silent_after=silent_after,
                doubts=() if last is None else _doubts(connection, last),
            )
        )
    return tuple(states)


def _silent_after(camera: Row) -> timedelta:
    options: Mapping[str, Any] = camera["options"] or {}
    hours = options.get("silent_after_hours")
    return _SILENT_AFTER if hours is None else timedelta(hours=float(hours))


def _last_photo(connection: sa.Connection, camera_id: int, now: datetime) -> Row | None:
    capture, passes = current(CAPTURE), current(PHOTO_INSPECTION)
    statement = (
        sa.select(capture.c.taken_at, passes.c.entry_id, passes.c.record)
        .join(passes, passes.c.photo_id == capture.c.photo_id)
        .where(capture.c.camera_id == camera_id, capture.c.taken_at <= now)
        .order_by(capture.c.taken_at.desc())
        .limit(1)
    )
    return connection.execute(statement).mappings().first()


def _doubts(connection: sa.Connection, photo: Row) -> tuple[Doubt, ...]:
    """What is doubtful of every tray in a photo, or kept it from being measured at all."""
    statement = sa.select(TRAY_INSPECTION.c.record).where(
        TRAY_INSPECTION.c.photo_inspection_id == photo["entry_id"]
    )
    trays = [set(record["doubts"]) for record in connection.execute(statement).scalars()]
    if trays:
        shared = set.intersection(*trays)
        return tuple(doubt for doubt in Doubt if doubt in shared)
    remarks = photo["record"]["remarks"]
    return tuple(doubt for doubt in Doubt if doubt.sentence in remarks)
