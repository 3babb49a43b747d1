"""Addresses with names and passwords in them: kept aside, shown masked, in no history."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

import sqlalchemy as sa

from service.entries import Entrant
from service.models.base import Change, Entered, Model
from service.outside_schema import SECRET
from service.refusals import Refusal
from service.resources import Resource

MASK = "***"


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


@dataclass(frozen=True)
class AddressedResource(Resource):
    """Things with an address: like any thing, but the full address is kept aside.

    Parameters
    ----------
    mask : callable
        Makes of an address what is shown of it.
    """

    mask: Callable[[str], str] = masked

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
        self._keep(connection, thing_id, address)
        return out

    def withdraw(
        self, connection: sa.Connection, thing_id: int, *, by: Entrant, why: str | None
    ) -> None:
        """Say that a thing never was; its full address is let go."""
        super().withdraw(connection, thing_id, by=by, why=why)
        connection.execute(sa.delete(SECRET).where(SECRET.c.owner == self._owner(thing_id)))

    def address(self, connection: sa.Connection, thing_id: int) -> str | None:
        """The full address of a thing."""
        statement = sa.select(SECRET.c.value).where(SECRET.c.owner == self._owner(thing_id))
        return connection.execute(statement).scalar()

    def _owner(self, thing_id: int) -> str:
        return f"{self.table.name} {thing_id}"

    def _keep(self, connection: sa.Connection, thing_id: int, address: str) -> None:
        owner = self._owner(thing_id)
        connection.execute(sa.delete(SECRET).where(SECRET.c.owner == owner))
        connection.execute(sa.insert(SECRET).values(owner=owner, value=address))

    def _shown(self, address: str | None) -> str | None:
        if address is not None and MASK in address:
            raise Refusal("address", f"must be given whole, without {MASK}")
        try:
            return None if address is None else self.mask(address)
        except ValueError as error:
            raise Refusal("address", "must be a readable address") from error
