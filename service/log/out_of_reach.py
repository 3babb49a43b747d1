"""A data folder that cannot be read or written, said as such before anything is served."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from service.log.database import first_line
from service.log.full_disk import is_full_disk

_OUT_OF_REACH = (
    *(sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM),
    *(sqlite3.SQLITE_IOERR, sqlite3.SQLITE_AUTH),
)


@contextmanager
def out_of_reach_told(data: Path) -> Iterator[None]:
    """Errors of the disk, or of the rights on it, raised as ValueError that says what to do.

    What was in the log stays as it was.
    """
    try:
        yield
    except (OSError, DBAPIError) as error:
        if is_full_disk(error):
            raise ValueError(
                f"data: the disk of {data} is full; what is in the log stays. Make room on it, "
                "then start again"
            ) from error
        if isinstance(error, OSError):
            where, fault = error.filename or data, error.strerror
        elif getattr(error.orig, "sqlite_errorcode", 0) & 0xFF in _OUT_OF_REACH:
            where, fault = data, first_line(error)
        else:
            raise
        raise ValueError(
            f"data: {where} cannot be read or written ({fault}): is its disk there, is it not "
            "read-only, and does it belong to whoever starts this?"
        ) from error
