"""Image work off the event loop: photos are measured in processes of their own, a bounded number.

A photo that ends its process (a decoder that crashes) or takes too long becomes a photo that
could not be measured; the others that waited are measured all the same.
"""

import logging
import threading
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from time import monotonic
from typing import Protocol

from service.log.refusals import Busy
from service.photos.inspection_job import InspectedPhoto, InspectionJob, not_measured
from service.photos.measuring_pool import give_up, new_pool

_LOG = logging.getLogger(__name__)

# How often a photo that is waited for looks up whether the service stops.
_LOOK_UP_SECONDS = 0.5


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
        from service.photos.measuring import inspect_job

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
