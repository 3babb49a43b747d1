"""A full disk said as such, whichever part of the service runs into it first."""

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError

from service.log.refusals import NoRoom

_FULL = {errno.ENOSPC, errno.EDQUOT}
# PostgreSQL's code of disk_full; SQLite has only its words for it.
_POSTGRESQL_FULL = "53100"
_SQLITE_FULL = "database or disk is full"


@contextmanager
def full_disk_refused() -> Iterator[None]:
    """Errors of a full disk raised as `NoRoom`; all others as they are."""
    try:
        yield
    except (OSError, DBAPIError, sqlite3.Error) as error:
        if not is_full_disk(error):
            raise
        raise no_room() from error


def is_full_disk(error: BaseException) -> bool:
    """Whether an error comes of a full disk, or a full quota."""
    if isinstance(error, DBAPIError):
        cause = error.orig
        return getattr(cause, "sqlstate", None) == _POSTGRESQL_FULL or _SQLITE_FULL in str(cause)
    if isinstance(error, sqlite3.Error):
        return _SQLITE_FULL in str(error)
    return isinstance(error, OSError) and error.errno in _FULL


def no_room() -> NoRoom:
    """What is said of it."""
    return NoRoom(
        "disk",
        "is full: nothing of this request is in the log, and what was acknowledged before stays. "
        "Make room on the disk of the data folder, then send it again",
    )
