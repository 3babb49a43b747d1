"""Photos whose day has changed are measured again, in the background.

Mould and the score are judged by the day of growth. When a run is entered late, corrected or
withdrawn, or a photo's moment is corrected, the day that a photo was measured with is no longer
the day that the log knows. Which photos these are follows from the log alone, so that a service
that was stopped half way goes on where it was.
"""

import logging
import threading
from collections.abc import Collection
from queue import Queue

import sqlalchemy as sa

from service.context import Service
from service.entries import current
from service.inspection_log import tray_rows
from service.photo_changes import measure_again
from service.refusals import Busy, Refusal
from service.run_calendar import RunSpan, run_spans
from service.schema import PHOTO, TRAY

_LOG = logging.getLogger(__name__)
# Less than this changes no judgement: half an hour.
_SAME_DAY = 1 / 48
_RETRY_SECONDS = 5.0

Wanted = tuple[int, float | None]


class Remeasurer:
    """Measures one photo after the other; a watcher of the service.

    Parameters
    ----------
    service : Service
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._photos: Queue[int | None] = Queue()
        self._tried: dict[int, float | None] = {}
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work, name="remeasuring", daemon=True)

    def start(self) -> None:
        """Begin, with what earlier runs of the service left undone."""
        service = self._service
        service.watchers.append(self)
        with service.database.read() as connection:
            trays = list(connection.execute(sa.select(current(TRAY).c.id)).scalars())
        self._thread.start()
        self(service, trays)

    def __call__(self, service: Service, tray_ids: Collection[int]) -> None:
        """Queue the photos of these trays whose day has changed."""
        with service.database.read() as connection:
            outdated = [wanted for tray in tray_ids for wanted in outdated_photos(connection, tray)]
        for photo_id, day in outdated:
            # A photo that comes out with the same day again must not go round for ever.
            if photo_id not in self._tried or self._tried[photo_id] != day:
                self._tried[photo_id] = day
                self._photos.put(photo_id)

    def wait(self) -> None:
        """Return when nothing is left to measure."""
        self._photos.join()

    def close(self) -> None:
        """Stop after the photo at hand."""
        self._stopped.set()
        self._photos.put(None)
        if self._thread.is_alive():
            self._thread.join()

    def _work(self) -> None:
        while not self._stopped.is_set():
            photo_id = self._photos.get()
            try:
                if photo_id is not None:
                    self._measure(photo_id)
            except Exception:
                _LOG.exception("photo %s could not be measured again", photo_id)
            finally:
                self._photos.task_done()

    def _measure(self, photo_id: int) -> None:
        while not self._stopped.is_set():
            try:
                measure_again(self._service, photo_id, self._service.entrant())
                return
            except Busy:
                self._stopped.wait(_RETRY_SECONDS)
            except Refusal as refusal:
                _LOG.warning("photo %s is not measured again: %s", photo_id, refusal)
                return


def outdated_photos(connection: sa.Connection, tray_id: int) -> list[Wanted]:
    """Photos of a tray that were measured with another day than the log knows now, with that day.

    Those whose original was let go keep the day they have.
    """
    spans = run_spans(connection, tray_id)
    kept = set(connection.execute(sa.select(PHOTO.c.id).where(PHOTO.c.original_kept)).scalars())
    outdated = []
    for row in tray_rows(connection, tray_id):
        day = _day(spans, row)
        if row["photo_id"] in kept and not _same(day, row["day"]):
            outdated.append((row["photo_id"], day))
    return outdated


def _day(spans: list[RunSpan], row: sa.RowMapping) -> float | None:
    taken_at = row["taken_at"]
    span = next((span for span in spans if span.holds(taken_at)), None)
    return None if span is None else (taken_at - span.spread_at).total_seconds() / 86400


def _same(day: float | None, other: float | None) -> bool:
    if day is None or other is None:
        return day is other
    return abs(day - other) < _SAME_DAY
