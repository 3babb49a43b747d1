"""Pools of processes that end with the service, however it ends."""

import os
import threading
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context, parent_process


def new_pool(processes: int) -> ProcessPoolExecutor:
    """A pool of so many processes."""
    # A fork of a process with threads can inherit a lock that nobody will ever release.
    return ProcessPoolExecutor(
        processes, mp_context=get_context("spawn"), initializer=_end_with_the_service
    )


def give_up(pool: ProcessPoolExecutor | None) -> None:
    """End a pool and what it is at."""
    if pool is None:
        return
    running = list((pool._processes or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    # A process that hangs in a decoder would outlive the service.
    for process in running:
        process.kill()


def _end_with_the_service() -> None:
    """Let this process end when the one that started it has, however that ended; runs there.

    It would wait for photos for ever: it holds the other end of its own queue itself.
    """
    service = parent_process()
    assert service is not None

    def watch() -> None:
        service.join()
        os._exit(1)

    threading.Thread(target=watch, name="ends with the service", daemon=True).start()
