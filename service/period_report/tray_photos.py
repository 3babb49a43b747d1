"""Photos of each tray by moment, kept between answers by day: counted for any run and period."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import sqlalchemy as sa

from service.entries import current
from service.log_memory import LogMemory, Seen, news
from service.schema import CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION

_ONE_DAY: Final = timedelta(days=1)
_MOST_DAYS: Final = 2000
# With more photos concerned, as when all are measured again, all days are read again.
_FEW_PHOTOS: Final = 500


@dataclass(frozen=True)
class TrayPhotos:
    """Photos that show one tray, in order: when they were taken, and their ids."""

    taken_at: list[datetime] = field(default_factory=list)
    ids: list[int] = field(default_factory=list)

    def between(self, since: datetime, until: datetime) -> Sequence[int]:
        """Ids of the photos taken from a moment on and before another."""
        return self.ids[bisect_left(self.taken_at, since) : bisect_left(self.taken_at, until)]


Day = dict[int, TrayPhotos]


class PeriodPhotos:
    """Photos in which a tray's number was read, of all days of a time.

    Parameters
    ----------
    connection : Connection
    since, until : aware datetime
    """

    def __init__(self, connection: sa.Connection, since: datetime, until: datetime) -> None:
        kept = _DAYS.of(connection)
        first = since.astimezone(UTC).date()
        days = [first + number * _ONE_DAY for number in range((until - since) // _ONE_DAY + 2)]
        missing = [day for day in days if day not in kept]
        if missing:
            kept.update(_read(connection, missing[0], missing[-1]))
        self._days = [kept[day] for day in days]
        self._since, self._until = since, until
        self._whole: Day = {}

    def of_tray(self, tray_id: int, since: datetime, until: datetime) -> Sequence[int]:
        """Ids of a tray's photos taken from a moment on and before another, within this time."""
        if tray_id not in self._whole:
            self._whole[tray_id] = self._joined(tray_id)
        return self._whole[tray_id].between(max(since, self._since), min(until, self._until))

    def _joined(self, tray_id: int) -> TrayPhotos:
        """All days of a tray in one: several of its runs are asked for."""
        whole = TrayPhotos()
        for day in self._days:
            photos = day.get(tray_id)
            if photos is not None:
                whole.taken_at.extend(photos.taken_at)
                whole.ids.extend(photos.ids)
        return whole


def _read(connection: sa.Connection, first: date, last: date) -> dict[date, Day]:
    """All days from one to another."""
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    begins = datetime.combine(first, time(), UTC)
    ends = datetime.combine(last + _ONE_DAY, time(), UTC)
    statement = (
        sa.select(TRAY_INSPECTION.c.tray_id, capture.c.taken_at, passes.c.photo_id)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .where(
            capture.c.taken_at >= begins,
            capture.c.taken_at < ends,
            TRAY_INSPECTION.c.tray_id.is_not(None),
        )
        .order_by(capture.c.taken_at, passes.c.photo_id)
    )
    found: dict[date, Day] = {
        first + number * _ONE_DAY: {} for number in range((last - first).days + 1)
    }
    for tray_id, taken_at, photo_id in connection.execute(statement):
        photos = found[taken_at.astimezone(UTC).date()].setdefault(tray_id, TrayPhotos())
        photos.taken_at.append(taken_at)
        photos.ids.append(photo_id)
    return found


def _renewed(
    connection: sa.Connection, before: tuple[dict[date, Day], Seen] | None
) -> dict[date, Day]:
    """What was kept, without the days of which there is something new."""
    if before is None or len(before[0]) > _MOST_DAYS:
        return {}
    kept, seen = before
    measured: set[int] = news(connection, PHOTO_INSPECTION, seen, PHOTO_INSPECTION.c.photo_id)
    if len(measured) > _FEW_PHOTOS:
        return {}
    moments: set[datetime] = news(connection, CAPTURE, seen, CAPTURE.c.taken_at)
    moments |= _taken_at(connection, measured)
    concerned = {moment.astimezone(UTC).date() for moment in moments}
    # Copied at once, since others may add to it meanwhile.
    return {day: photos for day, photos in kept.copy().items() if day not in concerned}


def _taken_at(connection: sa.Connection, photos: Iterable[int]) -> set[datetime]:
    """When some photos were taken, as it was ever said."""
    statement = sa.select(CAPTURE.c.taken_at).where(CAPTURE.c.photo_id.in_(list(photos)))
    return set(connection.execute(statement).scalars())


_DAYS = LogMemory((PHOTO_INSPECTION, CAPTURE), _renewed)
