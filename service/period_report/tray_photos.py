"""Photos of each tray by moment, kept between answers: counted for any run and period."""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import sqlalchemy as sa

from service.entries import current
from service.log_memory import LogMemory, Seen
from service.photo_log import trays_with_news
from service.schema import CAPTURE, PHOTO, PHOTO_INSPECTION, TRAY_INSPECTION


@dataclass(frozen=True)
class TrayPhotos:
    """Photos that show one tray, in order: when they were taken, and their ids."""

    taken_at: list[datetime] = field(default_factory=list)
    ids: list[int] = field(default_factory=list)

    def between(self, since: datetime, until: datetime) -> Sequence[int]:
        """Ids of the photos taken from a moment on and before another."""
        return self.ids[bisect_left(self.taken_at, since) : bisect_left(self.taken_at, until)]


def photos_by_tray(connection: sa.Connection) -> Mapping[int, TrayPhotos]:
    """Photos in which a tray's number was read, by tray id."""
    return _PHOTOS.of(connection)


def without_original(connection: sa.Connection, first: int, last: int) -> frozenset[int]:
    """Ids of photos from one id to another whose originals were let go."""
    statement = sa.select(PHOTO.c.id).where(
        PHOTO.c.id >= first, PHOTO.c.id <= last, PHOTO.c.original_kept.is_(sa.false())
    )
    return frozenset(connection.execute(statement).scalars())


def _load(connection: sa.Connection, trays: Iterable[int] | None) -> dict[int, TrayPhotos]:
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    tray = TRAY_INSPECTION.c.tray_id
    statement = (
        sa.select(tray, capture.c.taken_at, passes.c.photo_id)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .where(tray.is_not(None) if trays is None else tray.in_(list(trays)))
        .order_by(tray, capture.c.taken_at, passes.c.photo_id)
    )
    found: dict[int, TrayPhotos] = {}
    for tray_id, taken_at, photo_id in connection.execute(statement):
        photos = found.setdefault(tray_id, TrayPhotos())
        photos.taken_at.append(taken_at)
        photos.ids.append(photo_id)
    return found


def _renewed(
    connection: sa.Connection, before: tuple[Mapping[int, TrayPhotos], Seen] | None
) -> Mapping[int, TrayPhotos]:
    if before is None:
        return _load(connection, None)
    kept, seen = before
    concerned = trays_with_news(connection, seen, (PHOTO_INSPECTION, CAPTURE))
    others = {tray: photos for tray, photos in kept.items() if tray not in concerned}
    return {**others, **_load(connection, concerned)}


_PHOTOS = LogMemory((PHOTO_INSPECTION, CAPTURE), _renewed)
