"""Photos of each tray by moment, kept between answers by day: counted for any run and period."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Final

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION
from service.models.base import LARGEST_ID
from service.photos.retention_log import let_go_between

_ONE_DAY: Final = timedelta(days=1)
_MOST_DAYS: Final = 2000
# With more photos concerned, as when all are measured again, all days are read again.
_FEW_PHOTOS: Final = 500


@dataclass(frozen=True, eq=False)
class DayPhotos:
    """Photos of one day in which a tray's number was read, in columns of one length.

    Parameters
    ----------
    trays, photos : ndarray of int
        Their ids.
    taken_at : ndarray of float
        s since 1970.
    """

    trays: NDArray[np.int64]
    photos: NDArray[np.int64]
    taken_at: NDArray[np.float64]


class PeriodPhotos:
    """Photos in which a tray's number was read, of all days of a time.

    Parameters
    ----------
    connection : Connection
    since, until : aware datetime
    """

    def __init__(self, connection: sa.Connection, since: datetime, until: datetime) -> None:
        self._since, self._until = since, until
        days = _days(connection, since, until)
        trays = np.concatenate([day.trays for day in days])
        photos = np.concatenate([day.photos for day in days])
        taken_at = np.concatenate([day.taken_at for day in days])
        order = np.lexsort((taken_at, trays))
        self._taken_at = taken_at[order].tolist()
        known, first = np.unique(trays[order], return_index=True)
        ends = [*first.tolist(), len(order)]
        self._places = dict(zip(known.tolist(), pairwise(ends), strict=True))
        among = (int(photos.min(initial=LARGEST_ID)), int(photos.max(initial=0)))
        gone = np.isin(photos[order], let_go_between(connection, *among))
        # How many of the photos up to each one were let go.
        self._gone = [0, *np.cumsum(gone).tolist()]

    def of_tray(self, tray_id: int, since: datetime, until: datetime) -> tuple[int, int]:
        """How many show a tray from a moment on and before another, and how many originals stay."""
        low, high = self._places.get(tray_id, (0, 0))
        first = bisect_left(self._taken_at, max(since, self._since).timestamp(), low, high)
        last = bisect_left(self._taken_at, min(until, self._until).timestamp(), first, high)
        return last - first, last - first - (self._gone[last] - self._gone[first])


def _days(connection: sa.Connection, since: datetime, until: datetime) -> list[DayPhotos]:
    kept = _DAYS.of(connection)
    first = since.astimezone(UTC).date()
    days = [first + number * _ONE_DAY for number in range((until - since) // _ONE_DAY + 2)]
    missing = [day for day in days if day not in kept]
    if missing:
        kept.update(_read(connection, missing[0], missing[-1]))
    return [kept[day] for day in days]


def _read(connection: sa.Connection, first: date, last: date) -> dict[date, DayPhotos]:
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
    )
    found: dict[date, list[tuple[int, int, float]]] = {
        first + number * _ONE_DAY: [] for number in range((last - first).days + 1)
    }
    for tray_id, taken_at, photo_id in connection.execute(statement):
        day = found[taken_at.astimezone(UTC).date()]
        day.append((tray_id, photo_id, taken_at.timestamp()))
    return {day: _in_columns(rows) for day, rows in found.items()}


def _in_columns(rows: Sequence[tuple[int, int, float]]) -> DayPhotos:
    trays, photos, taken_at = zip(*rows, strict=True) if rows else ((), (), ())
    return DayPhotos(
        np.array(trays, np.int64), np.array(photos, np.int64), np.array(taken_at, np.float64)
    )


def _renewed(
    connection: sa.Connection, before: tuple[dict[date, DayPhotos], Seen] | None
) -> dict[date, DayPhotos]:
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
