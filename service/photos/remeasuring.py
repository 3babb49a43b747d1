"""Photos whose day or seed bed has changed are measured again, in the background.

Mould and the score are judged by the day of growth. When a run is entered late, corrected or
withdrawn, or a photo's moment is corrected, the day that a photo was measured with is no longer
the day that the log knows. So it is with the height of the seed bed, from which shoots are
measured, when the first photos of a run come late. Which photos these are follows from the log
alone, so that a service that was stopped half way goes on where it was.
"""

import logging
import threading
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from queue import Queue
from typing import Any, TypeVar

import sqlalchemy as sa

from service.context import Service
from service.growth.bed_heights import bed_heights, sprouts_at
from service.log.entries import current
from service.log.refusals import Busy, Refusal
from service.log.schema import CAPTURE, PHOTO, PHOTO_INSPECTION, TRAY, TRAY_INSPECTION
from service.photos.photo_changes import measure_again
from service.runs.run_calendar import RunSpan, run_spans
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import ASSUMED_BED_HEIGHT

_LOG = logging.getLogger(__name__)
# Less than this changes no judgement: half an hour.
_SAME_DAY = 1 / 48
# Less than this changes no height by more than its own uncertainty, in mm.
_SAME_BED_MM = 0.5
_SAME_BED_UNCERTAINTY_MM = 1.0
_RETRY_SECONDS = 5.0
T = TypeVar("T")


@dataclass(frozen=True)
class Wanted:
    """A photo to measure again, with the day and seed bed that the log knows now for a tray."""

    photo_id: int
    day: float | None
    bed_height: Measurement | None = None


class Remeasurer:
    """Measures one photo after the other; a watcher of the service.

    Parameters
    ----------
    service : Service
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        # Photos to measure, trays to look through, None at the end.
        self._photos: Queue[int | list[int] | None] = Queue()
        self._tried: dict[int, Wanted] = {}
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work, name="remeasuring", daemon=True)

    def start(self) -> None:
        """Begin, with what earlier runs of the service left undone."""
        service = self._service
        service.watchers.append(self)
        with service.database.read() as connection:
            trays = list(connection.execute(sa.select(current(TRAY).c.id)).scalars())
        # Not waited for: in a large room it takes seconds.
        self._photos.put(trays)
        self._thread.start()

    def __call__(self, _service: Service, tray_ids: Collection[int]) -> None:
        """Queue the photos of these trays whose day or seed bed has changed."""
        try:
            self._queue_outdated(tray_ids)
        except Busy:
            # They are looked through as soon as the log answers.
            self._photos.put(list(tray_ids))

    def _queue_outdated(self, tray_ids: Collection[int]) -> None:
        outdated: list[Wanted] = []
        for tray in tray_ids:
            if self._stopped.is_set():
                return
            with self._service.database.read() as connection:
                outdated += outdated_photos(connection, tray)
        for one in outdated:
            # A photo that comes out with the same day again must not go round for ever.
            if self._tried.get(one.photo_id) != one:
                self._tried[one.photo_id] = one
                self._photos.put(one.photo_id)

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
            wanted = self._photos.get()
            try:
                if isinstance(wanted, list):
                    self._until_answered(self._queue_outdated, wanted)
                elif wanted is not None:
                    self._until_answered(self._measure, wanted)
            except Exception:
                _LOG.exception("photo %s could not be measured again", wanted)
            finally:
                self._photos.task_done()

    def _until_answered(self, work: Callable[[T], None], what: T) -> None:
        while not self._stopped.is_set():
            try:
                work(what)
                return
            except Busy:
                self._stopped.wait(_RETRY_SECONDS)

    def _measure(self, photo_id: int) -> None:
        try:
            measure_again(self._service, photo_id, self._service.entrant())
        except Busy:
            raise
        except Refusal as refusal:
            _LOG.warning("photo %s is not measured again: %s", photo_id, refusal)


def outdated_photos(connection: sa.Connection, tray_id: int) -> list[Wanted]:
    """Photos of a tray that were measured with another day or bed than the log knows now.

    Those whose original was let go keep what they have, and so do the heights of runs that have
    ended.
    """
    spans = run_spans(connection, tray_id)
    wanted = {one.photo_id: one for one in _with_other_bed(connection, spans)}
    for row in connection.execute(_measured(tray_id, None, TRAY_INSPECTION.c.day)):
        day = _day(spans, row.taken_at)
        if not _same(day, row.day):
            wanted.setdefault(row.photo_id, Wanted(row.photo_id, day))
    return list(wanted.values())


def _measured(
    tray_id: int, since: datetime | None, *columns: sa.ColumnElement[Any]
) -> sa.Select[Any]:
    """What holds now of a tray in photos that can be measured again, by moment."""
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    return (
        sa.select(passes.c.photo_id, capture.c.taken_at, *columns)
        .select_from(TRAY_INSPECTION)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .join(PHOTO, PHOTO.c.id == passes.c.photo_id)
        .where(TRAY_INSPECTION.c.tray_id == tray_id, PHOTO.c.original_kept)
        .where(sa.true() if since is None else capture.c.taken_at >= since)
        .order_by(capture.c.taken_at, PHOTO.c.sha256, TRAY_INSPECTION.c.id)
    )


def _with_other_bed(connection: sa.Connection, spans: list[RunSpan]) -> Iterator[Wanted]:
    """Photos of the open run whose shoots were measured from another bed."""
    span = next((one for one in reversed(spans) if one.ended_at is None), None)
    if span is None:
        return
    bed = bed_heights(connection, [span]).get(span.id, ASSUMED_BED_HEIGHT)
    assert bed.value is not None and bed.uncertainty is not None
    # Records of before beds were known have none, and keep their heights.
    value, uncertainty = (
        TRAY_INSPECTION.c.record["bed_height_mm"][name].as_float().label(name)
        for name in ("value", "uncertainty")
    )
    statement = _measured(span.tray_id, sprouts_at(span), value, uncertainty)
    for row in connection.execute(statement.where(value.is_not(None))):
        if not span.holds(row.taken_at):
            continue
        same = abs(row.value - bed.value) < _SAME_BED_MM
        if not same or abs(row.uncertainty - bed.uncertainty) > _SAME_BED_UNCERTAINTY_MM:
            yield Wanted(row.photo_id, _day(spans, row.taken_at), bed)


def _day(spans: list[RunSpan], taken_at: datetime) -> float | None:
    # Runs of one tray do not overlap.
    before = bisect_right(spans, taken_at, key=lambda span: span.begins_at)
    span = spans[before - 1] if before and spans[before - 1].holds(taken_at) else None
    return None if span is None else (taken_at - span.spread_at).total_seconds() / 86400


def _same(day: float | None, other: float | None) -> bool:
    if day is None or other is None:
        return day is other
    return abs(day - other) < _SAME_DAY
