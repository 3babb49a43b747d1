"""Image work off the event loop: photos are measured in processes of their own, a bounded number.

A photo that ends its process (a decoder that crashes) or takes too long becomes a photo that
could not be measured; the others that waited are measured all the same.
"""

import logging
import threading
from collections.abc import Mapping
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import Any, Protocol

from service.log.refusals import Busy
from service.log.told_moments import FURTHEST_AHEAD
from service.photos.measuring_pool import give_up, new_pool
from trayvision.measurement import Measurement
from trayvision.pose.marked_tray import MarkedTray

_LOG = logging.getLogger(__name__)

# How often a photo that is waited for looks up whether the service stops.
_LOOK_UP_SECONDS = 0.5

# Since when a run lies in its tray, up to when, and when it was spread.
Span = tuple[datetime, datetime, datetime]
BedSpan = tuple[datetime, datetime, Measurement]


@dataclass(frozen=True)
class InspectionJob:
    """One photo and all that the log knows beforehand.

    Parameters
    ----------
    path : Path
        Of the original.
    name : str
        How the photo is called.
    received_at : aware datetime
    room_zone : str
        In which a photo's clock time without an offset is taken.
    tray_size : str
        Of trays that `sizes` does not name.
    sizes : mapping of tray number to size
    runs : mapping of tray number to its runs
    beds : mapping of tray number to heights of its seed bed, each from when to when it holds
    taken_at : aware datetime, optional
        As a person or camera gave it; goes before what the photo says.
    calibration : dict, optional
        Of the camera, as in CAMERA.json.
    whole_photo : bool
        Take the whole frame as the tray, without the kit.
    marked : MarkedTray, optional
        The opening of a tray without the kit, as a person marked it.
    not_before : aware datetime, optional
        Of a camera's photo: a moment before that, which it says itself, is not believed.
    earlier : tuple of dict, optional
        Of a photo by a fixed camera: where trays lay in its photos before, as
        `service.cameras.camera_poses.earlier_poses` gives them.
    """

    path: Path
    name: str
    received_at: datetime
    room_zone: str
    tray_size: str
    sizes: Mapping[int, str]
    runs: Mapping[int, tuple[Span, ...]]
    beds: Mapping[int, tuple[BedSpan, ...]] = field(default_factory=dict)
    taken_at: datetime | None = None
    calibration: Mapping[str, Any] | None = None
    whole_photo: bool = False
    marked: MarkedTray | None = None
    not_before: datetime | None = None
    earlier: tuple[Mapping[str, Any], ...] | None = None

    def believed(
        self, said_at: datetime | None, source: str
    ) -> tuple[datetime, str, datetime | None]:
        """When the photo counts as taken, by which `TakenAtFrom`, and what it said in vain.

        Parameters
        ----------
        said_at : aware datetime or None
            What the photo says itself.
        source : str
            The `TakenAtFrom` of that.
        """
        if self.taken_at is not None:
            return self.taken_at, "given", None
        if said_at is None:
            return self.received_at, "received", None
        gone_back = self.not_before is not None and said_at < self.not_before
        if gone_back or said_at > self.received_at + FURTHEST_AHEAD:
            return self.received_at, "received", said_at
        return said_at, source, None


@dataclass(frozen=True)
class InspectedPhoto:
    """What came out.

    Parameters
    ----------
    record : dict
        As `trayvision.inspection.record.photo_record` gives it, or `problem_record`.
    taken_at : aware datetime
    taken_at_from : str
        One of `service.models.photos.TakenAtFrom`.
    pictures : mapping of name to bytes
        ``thumbnail.jpg``, ``photo.jpg``, ``overlay.jpg``, and a straight-down view of each tray,
        ``tray-17.jpg``, 1 mm a pixel, for crops of the same place at different times; of a
        fixed camera's photo ``poses.json`` as well.
    said_at : aware datetime or None
        What the photo says itself of its moment, where that is not believed.
    """

    record: dict[str, Any]
    taken_at: datetime
    taken_at_from: str
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    said_at: datetime | None = None


class Inspector(Protocol):
    """What measures photos."""

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        """Measure one photo; waits until it is done. Raises `Busy` when too many wait."""

    def close(self) -> None:
        """Stop; photos that still wait are given up."""


class PoolInspector:
    """Measures in a pool of processes; safe to call from many threads.

    Parameters
    ----------
    processes : int
    waiting : int
        How many may wait beside those being measured; the attribute `waiting` tells how many
        are in now, those being measured counted.
    seconds : float
        Longest time for one photo, waiting not counted.
    """

    def __init__(self, *, processes: int, waiting: int, seconds: float) -> None:
        self._processes = processes
        self._seconds = seconds
        self._most = processes + waiting
        self._turn = threading.BoundedSemaphore(processes)
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self.waiting = 0
        self._pool: ProcessPoolExecutor | None = None

    def warm(self) -> None:
        """Start its processes now, so that the first photo does not wait for them to load."""
        for _ in range(self._processes):
            self._running_pool().submit(_load).add_done_callback(_say_failure)

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        """Measure one photo; waits until it is done.

        Raises
        ------
        Busy
            If too many photos wait already.
        """
        with self._lock:
            if self.waiting >= self._most:
                raise Busy("photo", "cannot be taken in while so many others wait")
            self.waiting += 1
        try:
            with self._turn:
                return self._measured(job)
        finally:
            with self._lock:
                self.waiting -= 1

    def close(self) -> None:
        """Stop; photos that still wait are given up."""
        with self._lock:
            self._closed.set()
            give_up(self._pool)

    def _measured(self, job: InspectionJob) -> InspectedPhoto:
        for _ in range(2):
            pool = self._running_pool()
            try:
                return self._done(pool, job)
            except BrokenProcessPool:
                self._replace(pool)
            except TimeoutError:
                self._replace(pool)
                return not_measured(job, f"took longer than {self._seconds:g} s to measure")
        # In a process that no other photo shares: the photo that ends it is the culprit.
        pool = new_pool(1)
        try:
            return self._done(pool, job)
        except (BrokenProcessPool, TimeoutError):
            return not_measured(job, "could not be read: reading it ended the reader")
        finally:
            give_up(pool)

    def _done(self, pool: ProcessPoolExecutor, job: InspectionJob) -> InspectedPhoto:
        """The photo measured in a pool; a fault of the program is no reason to lose it."""
        from service.photos.inspection_job import inspect_job

        deadline = monotonic() + self._seconds
        try:
            future: Future[InspectedPhoto] = pool.submit(inspect_job, job)
            while not self._closed.is_set():
                ended, _ = wait([future], timeout=min(_LOOK_UP_SECONDS, self._seconds))
                if ended:
                    return future.result()
                if monotonic() > deadline:
                    raise TimeoutError
        except (BrokenProcessPool, TimeoutError):
            if not self._closed.is_set():
                raise
        except Exception as error:
            if not self._closed.is_set():
                _LOG.exception("measuring %s failed", job.name)
                return not_measured(
                    job, f"could not be measured: the program failed ({type(error).__name__})"
                )
        give_up(pool)
        raise Busy("photo", "cannot be taken in while the service stops")

    def _running_pool(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                self._pool = new_pool(self._processes)
            return self._pool

    def _replace(self, pool: ProcessPoolExecutor) -> None:
        with self._lock:
            if self._pool is pool:
                give_up(pool)
                self._pool = None


def _load() -> None:
    """What a process needs to measure; runs there."""
    from service.photos.inspection_rehearsal import rehearse

    rehearse()


def _say_failure(loading: Future[None]) -> None:
    # Photos are measured all the same, and say what is wrong; a pool given up early is no fault.
    error = None if loading.cancelled() else loading.exception()
    if error is not None and not isinstance(error, BrokenProcessPool):
        _LOG.error("measuring could not be prepared: %s", error)


def not_measured(job: InspectionJob, why: str) -> InspectedPhoto:
    """A photo that is kept and listed with its reason."""
    from trayvision.inspection.record import problem_record
    from trayvision.quality_flags import PhotoProblem

    given = job.taken_at is not None
    return InspectedPhoto(
        record=problem_record(job.name, PhotoProblem(f"{job.name} {why}.")),
        taken_at=job.taken_at if job.taken_at is not None else job.received_at,
        taken_at_from="given" if given else "received",
    )
