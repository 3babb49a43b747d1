"""One server at a time on a PostgreSQL database, from whatever machine or folder.

Two would ask cameras and tell people twice. The lock is PostgreSQL's own, on a connection that does
nothing else, so that it ends with the server that holds it. Where that connection is lost, it is
taken anew; a server whose place another has taken meanwhile is told so, and has to end.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC
from platform import node
from types import TracebackType
from typing import Any, Final, Self
from uuid import uuid4

import sqlalchemy as sa
from sqlalchemy.pool import NullPool

from service.background import Rounds
from service.log.database import LINK, first_line, is_away, no_answer
from service.log.file_lock import served_once
from service.log.refusals import Conflict, DatabaseAway, Refusal
from service.settings import Settings

# Any number, as long as only servers of a log lock on it; the writers' is another.
_SERVERS_LOCK: Final = 7_241_704
# So that the place of a machine that lost its power is free half a minute later.
_LET_GO_SOON: Final = (
    "-c tcp_keepalives_idle=10 -c tcp_keepalives_interval=5 -c tcp_keepalives_count=3"
)
# Of the 63 bytes that PostgreSQL keeps of a name.
_HOST_CHARACTERS: Final = 30
_HOLDER: Final = sa.text(
    "SELECT pid, application_name AS name, backend_start AS since "
    "FROM pg_locks JOIN pg_stat_activity USING (pid) "
    "JOIN pg_database ON pg_database.oid = database AND pg_database.datname = current_database() "
    "WHERE locktype = 'advisory' AND granted AND classid = 0 AND objid = :key AND objsubid = 1"
)


@contextmanager
def not_served(settings: Settings) -> Iterator[None]:
    """Nobody serves a room meanwhile: a server knows a log by rows that are never taken away.

    Raises
    ------
    Conflict
        If it is served.
    ValueError
        If the database does not answer.
    """
    with ExitStack() as places:
        try:
            places.enter_context(served_once(settings.data))
            places.enter_context(ServerLock(settings))
        except Conflict as conflict:
            raise Conflict(
                "room",
                "must not be served while another is put in its place: stop trayvision serve, do "
                "this again, then start it",
            ) from conflict
        yield


class ServerLock:
    """The place of the one server of a database; does nothing where the log is in a file.

    Parameters
    ----------
    settings : Settings

    Raises
    ------
    Conflict
        On entering, if another serves the database.
    ValueError
        On entering, if the database does not answer.
    """

    def __init__(self, settings: Settings) -> None:
        url = sa.make_url(settings.sqlalchemy_url())
        self._seconds = settings.round_seconds
        self._rounds: Rounds | None = None
        self._connection: sa.Connection | None = None
        self._engine: sa.Engine | None = None
        # Two servers of one machine are two; by this, one knows its own lost connection.
        self._name = f"Trayvision on {node()[:_HOST_CHARACTERS]} {uuid4().hex[:8]}"
        self._where = url.set(drivername="postgresql").render_as_string(hide_password=True)
        if url.get_backend_name() != "sqlite":
            self._engine = sa.create_engine(
                url,
                poolclass=NullPool,
                isolation_level="AUTOCOMMIT",
                connect_args={**LINK, "application_name": self._name, "options": _LET_GO_SOON},
            )

    def __enter__(self) -> Self:
        """Take the place."""
        try:
            self.hold()
        except DatabaseAway as away:
            raise no_answer(first_line(away.__cause__)) from away
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Leave the place to whoever comes."""
        if self._rounds is not None:
            self._rounds.close()
        self._give_back()

    def watch(self, overtaken: Callable[[Conflict], None]) -> None:
        """Hold the place from now on; `overtaken` is called where another has taken it."""
        if self._engine is None:
            return

        def look() -> None:
            try:
                self.hold()
            except Conflict as conflict:
                overtaken(conflict)

        self._rounds = Rounds("the place on the database", self._seconds, look)
        self._rounds.start()

    def hold(self) -> None:
        """Take the place, also after its connection was lost.

        Raises
        ------
        Conflict
            If another has it.
        DatabaseAway
            If the database does not answer.
        """
        if self._engine is None or self._is_held():
            return
        try:
            self._connection = self._engine.connect()
            self._take(self._connection)
        except sa.exc.DBAPIError as error:
            self._give_back()
            if not is_away(error):
                raise
            raise DatabaseAway("database", "must answer, and does not") from error
        except Refusal:
            self._give_back()
            raise

    def _take(self, connection: sa.Connection) -> None:
        taken = connection.execute(sa.select(sa.func.pg_try_advisory_lock(_SERVERS_LOCK)))
        if taken.scalar_one():
            return
        holder = connection.execute(_HOLDER, {"key": _SERVERS_LOCK}).first()
        if holder is not None and holder.name == self._name:
            # The server has not noticed yet that this connection was lost.
            connection.execute(sa.select(sa.func.pg_terminate_backend(holder.pid)))
            raise DatabaseAway("database", "must let a connection go that was lost")
        raise Conflict(
            "database_url",
            f"must be served by one process only, and {_in_words(holder)} serves {self._where}",
        )

    def _is_held(self) -> bool:
        if self._connection is None:
            return False
        try:
            self._connection.exec_driver_sql("SELECT 1")
        except sa.exc.DBAPIError:
            self._give_back()
            return False
        return True

    def _give_back(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = None


def _in_words(holder: sa.Row[Any] | None) -> str:
    """Who has the place; a user of the database may not be told of another's."""
    if holder is None or not holder.name or holder.since is None:
        return "another"
    since = f"{holder.since.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    return f"{holder.name.rpartition(' ')[0]}, since {since},"
