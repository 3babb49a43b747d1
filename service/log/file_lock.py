"""What must not happen at the same time, in whatever processes: locks on files."""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.log.private_files import own_folder
from service.log.refusals import Conflict

_ORIGINALS = "originals.lock"


@contextmanager
def originals_stay(data: Path) -> Iterator[None]:
    """Nothing lets originals of a data folder go meanwhile; many may hold this at once."""
    with (data / _ORIGINALS).open("w") as file:
        fcntl.flock(file, fcntl.LOCK_SH)
        yield


@contextmanager
def originals_may_go(data: Path) -> Iterator[None]:
    """Only one holds this, and only while nobody relies on originals staying.

    Raises
    ------
    Conflict
        If an export or backup is being written, or another holds this.
    """
    with _at_once(
        data / _ORIGINALS,
        "retention",
        "must wait until the export, backup or retention at work is done",
    ):
        yield


@contextmanager
def only_one(folder: Path, what: str) -> Iterator[None]:
    """Only one at a time in a folder does this. Raises Conflict where one does."""
    with _at_once(folder / f".{what}.lock", what, "must wait until the one at work is done"):
        yield


@contextmanager
def served_once(data: Path) -> Iterator[None]:
    """Only one process serves a data folder: two would ask cameras and tell people twice.

    Raises
    ------
    Conflict
        If another serves it, or it cannot be made or written.
    """
    try:
        own_folder(data)
    except OSError as error:
        raise Conflict("data", f"cannot be made ({error.strerror}), got {data}") from error
    try:
        (data / "serve.lock").open("a").close()
    except OSError as error:
        raise Conflict("data", f"cannot be written ({error.strerror}), got {data}") from error
    rule = f"must be served by one process only, and another serves {data}"
    with _at_once(data / "serve.lock", "data", rule):
        yield


@contextmanager
def _at_once(path: Path, field: str, rule: str) -> Iterator[None]:
    with path.open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Conflict(field, rule) from None
        yield
