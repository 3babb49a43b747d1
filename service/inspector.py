"""Image work off the event loop: photos are measured in processes of their own, a bounded number.

A photo that ends its process (a decoder that crashes) or takes too long becomes a photo that
could not be measured; the others that waited are measured all the same.
"""

import logging
import threading
from collections.abc import Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol

from service.refusals import Busy

_LOG = logging.getLogger(__name__)

Span = tuple[datetime, datetime]


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
    runs : mapping of tray number to its runs, each from spread_at up to its end
    taken_at : aware datetime, optional
        As a person or camera gave it; goes before what the photo says.
    calibration : dict, optional
        Of the camera, as in CAMERA.json.
    whole_photo : bool
        Take the whole frame as the tray, without the kit.
    """

    path: Path
    name: str
    received_at: datetime
    room_zone: str
    tray_size: str
    sizes: Mapping[int, str]
    runs: Mapping[int, tuple[Span, ...]]
    taken_at: datetime | None = None
    calibration: Mapping[str, Any] | None = None
    whole_photo: bool = False


@dataclass(frozen=True)
class InspectedPhoto:
    """What came out.

    Parameters
    ----------
    record : dict
        As `trayvision.inspection_record.photo_record` gives it, or `problem_record`.
    taken_at : aware datetime
    taken_at_from : str
        One of `service.models.photos.TakenAtFrom`.
    pictures : mapping of name to JPEG bytes
        ``thumbnail.jpg``, ``overlay.jpg``, and a straight-down view of each tray,
        ``tray-17.jpg``, 1 mm a pixel, for crops of the same place at different times.
    """

    record: dict[str, Any]
    taken_at: datetime
    taken_at_from: str
    pictures: Mapping[str, bytes] = field(default_factory=dict)


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
        How many may wait beside those being measured.
    seconds : float
        Longest time for one photo, waiting not counted.
    """

    def __init__(self, *, processes: int, waiting: int, seconds: float) -> None:
        self._processes = processes
        self._seconds = seconds
        self._room = threading.BoundedSemaphore(processes + waiting)
        self._turn = threading.BoundedSemaphore(processes)
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        """Measure one photo; waits until it is done.

        Raises
        ------
        Busy
            If too many photos wait already.
        """
        if not self._room.acquire(blocking=False):
            raise Busy("photo", "cannot be taken in while so many others wait")
        try:
            with self._turn:
                return self._measured(job)
        finally:
            self._room.release()

    def close(self) -> None:
        """Stop; photos that still wait are given up."""
        with self._lock:
            self._give_up(self._pool)

    def _measured(self, job: InspectionJob) -> InspectedPhoto:
        from service.inspection_job import inspect_job

        for _ in range(2):
            pool = self._running_pool()
            try:
                done: Future[InspectedPhoto] = pool.submit(inspect_job, job)
                return done.result(timeout=self._seconds)
            except BrokenProcessPool:
                self._replace(pool)
            except TimeoutError:
                self._replace(pool)
                return not_measured(job, f"took longer than {self._seconds:g} s to measure")
            except Exception as error:
                # A fault of the program is no reason to lose a photo: it can be measured again.
                _LOG.exception("measuring %s failed", job.name)
                return not_measured(
                    job, f"could not be measured: the program failed ({type(error).__name__})"
                )
        return self._alone(job)

    def _alone(self, job: InspectionJob) -> InspectedPhoto:
        """In a process that no other photo shares: the photo that ends it is the culprit."""
        from service.inspection_job import inspect_job

        pool = _new_pool(1)
        try:
            return pool.submit(inspect_job, job).result(timeout=self._seconds)
        except Exception:
            _LOG.exception("reading %s ended the reader", job.name)
            return not_measured(job, "could not be read: reading it ended the reader")
        finally:
            self._give_up(pool)

    def _running_pool(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                self._pool = _new_pool(self._processes)
            return self._pool

    def _replace(self, pool: ProcessPoolExecutor) -> None:
        with self._lock:
            if self._pool is pool:
                self._give_up(pool)
                self._pool = None

    @staticmethod
    def _give_up(pool: ProcessPoolExecutor | None) -> None:
        if pool is None:
            return
        running = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        # A process that hangs in a decoder would outlive the service.
        for process in running:
            process.kill()


def _new_pool(processes: int) -> ProcessPoolExecutor:
    # A fork of a process with threads can inherit a lock that nobody will ever release.
    return ProcessPoolExecutor(processes, mp_context=get_context("spawn"))


def not_measured(job: InspectionJob, why: str) -> InspectedPhoto:
    """A photo that is kept and listed with its reason."""
    from trayvision.inspection_record import problem_record
    from trayvision.quality_flags import PhotoProblem

    given = job.taken_at is not None
    return InspectedPhoto(
        record=problem_record(job.name, PhotoProblem(f"{job.name} {why}.")),
        taken_at=job.taken_at if job.taken_at is not None else job.received_at,
        taken_at_from="given" if given else "received",
    )
