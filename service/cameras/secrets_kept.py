"""Addresses with names and passwords in them: kept aside, shown masked, in no history."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import urlsplit

import sqlalchemy as sa

from service.log.entries import Entrant, history
from service.log.outside_schema import SECRET
from service.log.refusals import Conflict, Refusal
from service.models.base import Change, Entered, Model
from service.room.resources import Resource

MASK = "***"
_UNDOABLE_FOR: Final = timedelta(minutes=15)


def masked(address: str) -> str:
    """An address without what may be secret in it: name, password, and all after a ``?``.

    What is no address with ``://``, such as a folder or a number, is shown as it is.

    Raises
    ------
    ValueError
        If it is no readable address.
    """
    if "://" not in address:
        return address
    parts = urlsplit(address)
    host = parts.netloc.rpartition("@")[2]
    netloc = f"{MASK}@{host}" if "@" in parts.netloc else host
    query = MASK if parts.query or parts.fragment else ""
    return parts._replace(netloc=netloc, query=query, fragment="").geturl()


def scheme_alone(address: str) -> str:
    """An address of which all but the scheme may be secret, as those of messengers are."""
    return f"{address.partition('://')[0]}://{MASK}"


class LetGo:
    """Addresses that were written over, for as long as their undo stands on a page.

    In memory alone: what was let go is in no table, no backup, and gone with the process.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, int], tuple[str | None, datetime]] = {}

    def keep(self, log: sa.Engine, entry_id: int, address: str | None, now: datetime) -> None:
        """Keep what held before an entry."""
        self._kept = {
            key: (value, at) for key, (value, at) in self._kept.items() if now - at <= _UNDOABLE_FOR
        }
        self._kept[str(log.url), entry_id] = address, now

    def before(self, log: sa.Engine, entry_id: int, now: datetime) -> str | None:
        """What held before an entry. Raises KeyError where it wrote nothing over, or long ago."""
        address, at = self._kept[str(log.url), entry_id]
        if now - at > _UNDOABLE_FOR:
            raise KeyError(entry_id)
        return address


@dataclass(frozen=True)
class AddressedResource(Resource):
    """Things with an address: like any thing, but the full address is kept aside.

    Parameters
    ----------
    mask : callable
        Makes of an address what is shown of it.
    """

    mask: Callable[[str], str] = masked
    let_go: LetGo = field(default_factory=LetGo)

    def add(
        self,
        connection: sa.Connection,
        new: Model,
        by: Entrant,
        *,
        belongs_to: Mapping[str, int] | None = None,
    ) -> Entered:
        """Enter a new thing."""
        address: str | None = getattr(new, "address")  # noqa: B009
        shown = new.model_copy(update={"address": self._shown(address)})
        out = super().add(connection, shown, by, belongs_to=belongs_to)
        if address is not None:
            self._keep(connection, out.id, address)
        return out

    def correct(
        self, connection: sa.Connection, thing_id: int, change: Change, by: Entrant
    ) -> Entered:
        """Correct a thing; a masked address that comes back as it was shown changes nothing."""
        address: str | None = getattr(change, "address")  # noqa: B009
        before: str | None = getattr(self.get(connection, thing_id), "address")  # noqa: B009
        if address is None or address == before:
            return super().correct(connection, thing_id, change, by)
        shown = change.model_copy(update={"address": self._shown(address)})
        out = super().correct(connection, thing_id, shown, by)
        self._write_over(connection, thing_id, address, entry=(out.entry_id, by))
        return out

    def withdraw(
        self, connection: sa.Connection, thing_id: int, *, by: Entrant, why: str | None
    ) -> None:
        """Say that a thing never was; its full address is let go."""
        super().withdraw(connection, thing_id, by=by, why=why)
        entry_id = history(connection, self.table, thing_id)[-1]["id"]
        self._write_over(connection, thing_id, None, entry=(entry_id, by))

    def take_back(self, connection: sa.Connection, thing_id: int, by: Entrant) -> int:
        """Undo what was said last of a thing, with the full address that held before it.

        Raises NotFound, Refusal and, where that address is let go for good, Conflict.
        """
        undone = history(connection, self.table, thing_id)[-1]
        entry_id = super().take_back(connection, thing_id, by)
        now = history(connection, self.table, thing_id)[-1]
        if now["withdrawn"]:
            self._keep(connection, thing_id, None)
            return entry_id
        try:
            address = self.let_go.before(connection.engine, undone["id"], by.at)
        except KeyError as error:
            if undone["withdrawn"] or undone["address"] != now["address"]:
                raise Conflict(
                    "address", "before was let go for good: please enter it anew instead"
                ) from error
        else:
            self._keep(connection, thing_id, address)
        return entry_id

    def address(self, connection: sa.Connection, thing_id: int) -> str | None:
        """The full address of a thing."""
        statement = sa.select(SECRET.c.value).where(SECRET.c.owner == self._owner(thing_id))
        return connection.execute(statement).scalar()

    def _owner(self, thing_id: int) -> str:
        return f"{self.table.name} {thing_id}"

    def _write_over(
        self,
        connection: sa.Connection,
        thing_id: int,
        address: str | None,
        *,
        entry: tuple[int, Entrant],
    ) -> None:
        """Put an address in the place of what held before an entry, which an undo brings back."""
        entry_id, by = entry
        before = self.address(connection, thing_id)
        self.let_go.keep(connection.engine, entry_id, before, by.at)
        self._keep(connection, thing_id, address)

    def _keep(self, connection: sa.Connection, thing_id: int, address: str | None) -> None:
        owner = self._owner(thing_id)
        connection.execute(sa.delete(SECRET).where(SECRET.c.owner == owner))
        if address is not None:
            connection.execute(sa.insert(SECRET).values(owner=owner, value=address))

    def _shown(self, address: str | None) -> str | None:
        if address is not None and MASK in address:
            raise Refusal("address", f"must be given whole, without {MASK}")
        try:
            return None if address is None else self.mask(address)
        except ValueError as error:
            raise Refusal("address", "must be a readable address") from error
