"""Where trays lay in earlier photos of a fixed camera, from what is kept beside its photos."""

import json
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import CAPTURE, PHOTO
from service.photos.photo_store import PhotoStore
from service.photos.pose_records import POSES_NAME

# Longer ago the camera, or a tray that grew nothing, may have been moved; judgement.
_KEPT_FOR = timedelta(days=5)
_LAST_PHOTOS = 24


def earlier_poses(
    connection: sa.Connection, store: PhotoStore, camera_id: int, before: datetime
) -> tuple[dict[str, Any], ...]:
    """The last pose of each tray in a camera's photos up to a moment, with its ``taken_at``."""
    now = current(CAPTURE)
    statement = (
        sa.select(PHOTO.c.sha256, now.c.taken_at)
        .join(now, now.c.photo_id == PHOTO.c.id)
        .where(
            now.c.camera_id == camera_id,
            now.c.taken_at < before,
            now.c.taken_at >= before - _KEPT_FOR,
        )
        .order_by(now.c.taken_at.desc(), PHOTO.c.id.desc())
        .limit(_LAST_PHOTOS)
    )
    last: dict[int, dict[str, Any]] = {}
    for row in connection.execute(statement):
        for pose in _kept(store, row.sha256):
            last.setdefault(pose["number"], {**pose, "taken_at": row.taken_at})
    return tuple(last[number] for number in sorted(last))


def _kept(store: PhotoStore, sha256: str) -> list[dict[str, Any]]:
    try:
        found: list[dict[str, Any]] = json.loads(store.derived(sha256, POSES_NAME).read_bytes())
    except (OSError, ValueError):
        return []
    return found
