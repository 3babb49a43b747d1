"""Databases of tests: quick because nobody keeps what is in them, and because there are many.

Each test has a room of its own, and each room's engine would compile the hundreds of statements of
the log anew: a quarter of the processor time of most tests. Each log of an earlier revision would
read all migrations anew. And each entry would wait for the disk, on which nothing of a test is to
outlive its machine's power.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy.engine import Dialect

from service.log.database import MIGRATIONS, Database

# What is compiled is found again by its dialect too, so that all engines of one kind share one.
_DIALECTS: dict[str, Dialect] = {}
_COMPILED: dict[Any, Any] = {}


@contextmanager
def quick_databases() -> Iterator[None]:
    """All databases that are opened meanwhile share what was compiled, and wait for no disk."""
    make, migrations = Database.__init__, ScriptDirectory(str(MIGRATIONS))

    def quickly(database: Database, url: str) -> None:
        make(database, url)
        for engine in (database.engine, database._reading, database._writing):
            engine.dialect = _DIALECTS.setdefault(engine.dialect.name, engine.dialect)
            engine.update_execution_options(compiled_cache=_COMPILED)
        if database.engine.dialect.name == "sqlite":
            sa.event.listen(database.engine, "connect", _wait_for_no_disk)

    def read_once(config: Config) -> ScriptDirectory:
        assert config.get_main_option("script_location") == str(MIGRATIONS)
        return migrations

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Database, "__init__", quickly)
        patched.setattr(ScriptDirectory, "from_config", read_once)
        yield


def _wait_for_no_disk(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA synchronous=OFF")
