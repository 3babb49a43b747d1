"""Statements put into SQL once a session instead of once a room, as in a service that runs on.

Each test has a room of its own, and each room's engine would compile the hundreds of statements of
the log anew: a quarter of the processor time of most tests.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy.engine import Dialect

from service.database import Database

# What is compiled is found again by its dialect too, so that all engines of one kind share one.
_DIALECTS: dict[str, Dialect] = {}
_COMPILED: dict[Any, Any] = {}


@contextmanager
def compiled_once() -> Iterator[None]:
    """All databases that are opened meanwhile share what was compiled."""
    make = Database.__init__

    def with_shared(database: Database, url: str) -> None:
        make(database, url)
        for engine in (database.engine, database._reading, database._writing):
            engine.dialect = _DIALECTS.setdefault(engine.dialect.name, engine.dialect)
            engine.update_execution_options(compiled_cache=_COMPILED)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Database, "__init__", with_shared)
        yield
