"""Slows down guessing of passwords, per name and per address, across restarts.

Every try is counted as failed before its password is looked at, so that many at once gain
nothing; a right password sets its counts back. After some free tries each further one has to
wait twice as long as the one before, up to an hour (compare NIST SP 800-63B, section 5.2.2). A
try that comes too early is refused unseen and makes nobody wait longer. A count made while the
machine's clock was ahead is forgotten once the clock is right. Names are counted
whether or not they exist, under one of 65 536 numbers: the table stays small, and a password
typed into the wrong field cannot be found out from it.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from ipaddress import IPv6Address, ip_address, ip_network

import sqlalchemy as sa

from service.accounts.passwords import folded
from service.log.account_tables import LOGIN_GUESS
from service.log.refusals import SlowDown

LONGEST_WAIT = timedelta(hours=1)
FORGOTTEN_AFTER = timedelta(hours=24)
_FREE_BY_NAME = 3
# Several people share an address.
_FREE_BY_ADDRESS = 20


@dataclass(frozen=True)
class Guess:
    """Where a try is counted, and how many failures there cost nothing."""

    source: str
    free: int


def guesses_of(name: str, address: str | None) -> list[Guess]:
    """Where a try for a name from an address is counted."""
    number = sha256(folded(name).encode("utf-8", "surrogatepass")).hexdigest()[:4]
    return [
        Guess(f"name {number}", _FREE_BY_NAME),
        Guess(f"address {_network(address)}", _FREE_BY_ADDRESS),
    ]


def wait_after(failures: int, free: int) -> timedelta:
    """How long the next try must wait after so many failures."""
    if failures < free:
        return timedelta(0)
    # The exponent is bounded so that the number stays one.
    return min(timedelta(seconds=2 ** min(failures - free, 20)), LONGEST_WAIT)


def count_try(connection: sa.Connection, guesses: list[Guess], now: datetime) -> None:
    """Count a try as failed.

    Raises
    ------
    SlowDown
        If it comes too early; then nothing is counted.
    """
    connection.execute(sa.delete(LOGIN_GUESS).where(LOGIN_GUESS.c.last_at < now - FORGOTTEN_AFTER))
    sources = [guess.source for guess in guesses]
    rows = connection.execute(sa.select(LOGIN_GUESS).where(LOGIN_GUESS.c.source.in_(sources)))
    # A count that is ahead comes from a clock that was: it would never be waited out.
    before = {row.source: row for row in rows if row.last_at <= now}
    ahead = sa.and_(LOGIN_GUESS.c.source.in_(sources), LOGIN_GUESS.c.last_at > now)
    connection.execute(sa.delete(LOGIN_GUESS).where(ahead))
    waits = [
        row.last_at + wait_after(row.failures, guess.free) - now
        for guess in guesses
        if (row := before.get(guess.source)) is not None
    ]
    longest = max(waits, default=timedelta(0))
    if longest > timedelta(0):
        raise SlowDown(math.ceil(longest.total_seconds()))
    for guess in guesses:
        _count(connection, guess.source, before.get(guess.source), now)


def forget_failures(connection: sa.Connection, guesses: list[Guess]) -> None:
    """Set counts back, after a right password."""
    sources = [guess.source for guess in guesses]
    connection.execute(sa.delete(LOGIN_GUESS).where(LOGIN_GUESS.c.source.in_(sources)))


def _count(
    connection: sa.Connection, source: str, before: sa.Row[tuple[object, ...]] | None, now: datetime
) -> None:
    if before is None:
        connection.execute(sa.insert(LOGIN_GUESS).values(source=source, failures=1, last_at=now))
        return
    connection.execute(
        sa.update(LOGIN_GUESS)
        .where(LOGIN_GUESS.c.source == source)
        .values(failures=LOGIN_GUESS.c.failures + 1, last_at=now)
    )


def _network(address: str | None) -> str:
    """The address, or of IPv6 the network that one household has."""
    try:
        parsed = ip_address(address or "")
    except ValueError:
        return "unknown"
    if isinstance(parsed, IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ip_network((int(parsed), 64), strict=False))
    return str(parsed)
