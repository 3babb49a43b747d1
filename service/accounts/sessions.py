"""Sessions of people and tokens of cameras and scripts: how a secret that is shown says who asks.

Both are 256 random bits, of which the log keeps the SHA-256 alone: what is that random needs no
slow hash, and whoever reads the log can use none of them. Both end with the person's password or
when the person is no longer active; roles are read anew with every request.
"""

import secrets
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

import sqlalchemy as sa

from service.accounts.roles import RIGHTS, Entrance, Role, Visitor
from service.log.account_tables import ACCESS_TOKEN, LOGIN_SESSION
from service.log.database import Database
from service.log.entries import current
from service.log.refusals import NotFound
from service.log.schema import PERSON
from service.settings import Settings

TOKEN_PREFIX = "trayvision_"
# Noting each use would write to the log with every picture that a page shows.
_NOTED_EVERY = timedelta(hours=1)


def begin_session(connection: sa.Connection, person_id: int, now: datetime) -> str:
    """Let a person in; returns the secret that the browser keeps."""
    secret = secrets.token_urlsafe(32)
    connection.execute(
        sa.insert(LOGIN_SESSION).values(
            secret_sha256=_hashed(secret), person_id=person_id, begun_at=now, used_at=now
        )
    )
    return secret


def sessions_of(
    connection: sa.Connection, settings: Settings, person_id: int, now: datetime
) -> list[sa.RowMapping]:
    """Where a person is logged in, the last used first."""
    statement = (
        sa.select(LOGIN_SESSION)
        .where(LOGIN_SESSION.c.person_id == person_id, _alive(settings, now))
        .order_by(LOGIN_SESSION.c.used_at.desc(), LOGIN_SESSION.c.id.desc())
    )
    return list(connection.execute(statement).mappings())


def end_session(connection: sa.Connection, session_id: int) -> None:
    """Log one browser out. Raises NotFound."""
    ended = sa.delete(LOGIN_SESSION).where(LOGIN_SESSION.c.id == session_id)
    if not connection.execute(ended.returning(LOGIN_SESSION.c.id)).all():
        raise NotFound("session", session_id)


def end_expired_sessions(connection: sa.Connection, settings: Settings, now: datetime) -> None:
    """Let go of what nobody can use any more."""
    connection.execute(sa.delete(LOGIN_SESSION).where(~_alive(settings, now)))


def end_sessions(connection: sa.Connection, person_id: int) -> None:
    """Log a person out everywhere."""
    connection.execute(sa.delete(LOGIN_SESSION).where(LOGIN_SESSION.c.person_id == person_id))


def make_token(connection: sa.Connection, values: dict[str, Any]) -> tuple[int, str]:
    """Make a token; returns its id and the secret, which can never be shown again."""
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    row = {**values, "secret_sha256": _hashed(secret)}
    key = connection.execute(sa.insert(ACCESS_TOKEN).values(**row)).inserted_primary_key
    assert key is not None
    return int(key[0]), secret


def tokens(connection: sa.Connection) -> list[sa.RowMapping]:
    """All tokens that ever were, without their secrets."""
    return list(connection.execute(sa.select(ACCESS_TOKEN).order_by(ACCESS_TOKEN.c.id)).mappings())


def revoke_token(connection: sa.Connection, token_id: int, now: datetime) -> None:
    """End a token for good; its row stays. Raises NotFound."""
    if not connection.execute(
        sa.update(ACCESS_TOKEN)
        .where(ACCESS_TOKEN.c.id == token_id)
        .values(revoked_at=sa.func.coalesce(ACCESS_TOKEN.c.revoked_at, sa.bindparam("now")))
        .returning(ACCESS_TOKEN.c.id),
        {"now": now},
    ).all():
        raise NotFound("token", token_id)


def revoke_tokens(connection: sa.Connection, person_id: int, now: datetime) -> None:
    """End all tokens in a person's hand."""
    connection.execute(
        sa.update(ACCESS_TOKEN)
        .where(ACCESS_TOKEN.c.person_id == person_id, ACCESS_TOKEN.c.revoked_at.is_(None))
        .values(revoked_at=now)
    )


def visitor_with_session(
    database: Database, settings: Settings, secret: str, now: datetime
) -> Visitor | None:
    """Who holds a session; None where it never was, has ended or expired."""
    row = _holder(database, LOGIN_SESSION, secret, _alive(settings, now))
    if row is None:
        return None
    _note_use(database, LOGIN_SESSION, row, now)
    role = Role(row["persons_role"])
    return Visitor(Entrance.SESSION, role, RIGHTS[role], row["person_id"], row["id"])


def visitor_with_token(database: Database, secret: str, now: datetime) -> Visitor | None:
    """Who shows a token; None where it never was, was revoked or expired.

    A token never allows more than the person in whose hand it is.
    """
    alive = sa.and_(
        ACCESS_TOKEN.c.revoked_at.is_(None),
        sa.or_(ACCESS_TOKEN.c.expires_at.is_(None), ACCESS_TOKEN.c.expires_at > now),
    )
    row = _holder(database, ACCESS_TOKEN, secret, alive)
    if row is None:
        return None
    _note_use(database, ACCESS_TOKEN, row, now)
    role, holders = Role(row["role"]), Role(row["persons_role"])
    rights = RIGHTS[role] & RIGHTS[holders]
    return Visitor(Entrance.TOKEN, role, rights, row["person_id"], row["id"], holders)


def _alive(settings: Settings, now: datetime) -> sa.ColumnElement[bool]:
    return sa.and_(
        LOGIN_SESSION.c.begun_at > now - timedelta(days=settings.session_days),
        LOGIN_SESSION.c.used_at > now - timedelta(days=settings.session_idle_days),
    )


def _holder(
    database: Database, table: sa.Table, secret: str, alive: sa.ColumnElement[bool]
) -> sa.RowMapping | None:
    person = current(PERSON)
    statement = (
        sa.select(table, person.c.role.label("persons_role"))
        .join(person, person.c.id == table.c.person_id)
        .where(table.c.secret_sha256 == _hashed(secret), person.c.active.is_(sa.true()), alive)
    )
    with database.read() as connection:
        return connection.execute(statement).mappings().one_or_none()


def _note_use(database: Database, table: sa.Table, row: sa.RowMapping, now: datetime) -> None:
    if row["used_at"] is not None and now - row["used_at"] < _NOTED_EVERY:
        return
    with database.write() as connection:
        connection.execute(sa.update(table).where(table.c.id == row["id"]).values(used_at=now))


def _hashed(secret: str) -> str:
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
