"""People who may come in: the first owner, passwords, logging in and out.

While no password is set the room is open: the service listens on this machine alone and whoever
asks there is the owner. The first password must be an owner's, and from then on one active owner
with a password must stay. There are two ways to the first one: ``trayvision serve
--set-password`` on the machine, or `POST /api/people` while the room is open.
"""

import logging
from datetime import datetime

import sqlalchemy as sa

from service.accounts.guessing import count_try, forget_failures, guesses_of
from service.accounts.passwords import Passwords, check_new_password
from service.accounts.people import PEOPLE, is_open, person_named
from service.accounts.roles import RIGHTS, Role
from service.accounts.sessions import (
    begin_session,
    end_expired_sessions,
    end_sessions,
    make_token,
    revoke_tokens,
)
from service.context import Service
from service.log.account_tables import PERSON_PASSWORD
from service.log.entries import Entrant
from service.log.refusals import Conflict, NotLoggedIn, Refusal
from service.models import accounts as models
from service.room.room_log import in_utc, the_room

_LOG = logging.getLogger(__name__)


def add_person(
    service: Service, passwords: Passwords, new: models.NewPersonForm, by: Entrant
) -> models.Person:
    """Enter a person, with a password or without.

    Raises
    ------
    Refusal
        If the password breaks its rules.
    Conflict
        If the name is taken, or the first password is not an active owner's.
    """
    password = None if new.password is None else new.password.get_secret_value()
    hashed = None if password is None else _checked_hash(service, passwords, password, new.name)
    plain = models.NewPerson(**new.model_dump(exclude={"password"}))
    with service.database.write() as connection:
        person = PEOPLE.add(connection, plain, by)
        assert isinstance(person, models.Person)
        if hashed is not None:
            _keep_password(connection, person, hashed, by.at)
    return person


def set_password(
    service: Service, passwords: Passwords, person_id: int, password: str, now: datetime
) -> None:
    """Give a person a new password; ends all that person's sessions and tokens.

    Raises
    ------
    NotFound
    Refusal
        If the password breaks its rules.
    Conflict
        If it is the first one and not an active owner's.
    """
    with service.database.read() as connection:
        person = PEOPLE.get(connection, person_id)
    assert isinstance(person, models.Person)
    hashed = _checked_hash(service, passwords, password, person.name)
    with service.database.write() as connection:
        person = PEOPLE.get(connection, person_id)
        assert isinstance(person, models.Person)
        _keep_password(connection, person, hashed, now)
        forget_failures(connection, guesses_of(person.name, None)[:1])


def log_in(
    service: Service, passwords: Passwords, name: str, password: str, address: str | None
) -> tuple[models.Person, str]:
    """Let somebody in; returns the person and the new session's secret.

    Raises
    ------
    NotLoggedIn
        If name or password are wrong; which of them is not said.
    SlowDown
        If there were too many wrong tries for that name or from that address.
    """
    guesses = guesses_of(name, address)
    with service.database.write() as connection:
        count_try(connection, guesses, service.clock())
        row = person_named(connection, name)
        kept = None if row is None else _kept_hash(connection, row["id"])
    # No transaction is held while this takes its time.
    right = passwords.matches(kept, password)
    renewed = passwords.hash(password) if right and kept and passwords.outdated(kept) else kept
    now = service.clock()
    with service.database.write() as connection:
        # Asked again: the password may have been changed, or the person made inactive, meanwhile.
        row = person_named(connection, name)
        if row is None or not row["active"] or kept is None or not right:
            _LOG.warning("a log-in from %s failed", address)
            raise NotLoggedIn("name or password", "is wrong")
        if _kept_hash(connection, row["id"]) != kept:
            raise NotLoggedIn("name or password", "is wrong")
        if renewed != kept and renewed is not None:
            _write_hash(connection, row["id"], renewed, now)
        forget_failures(connection, guesses)
        end_expired_sessions(connection, service.settings, now)
        person = PEOPLE.get(connection, row["id"])
        assert isinstance(person, models.Person)
        return person, begin_session(connection, person.id, now)


def change_own_password(
    service: Service,
    passwords: Passwords,
    person_id: int,
    change: models.OwnPassword,
    address: str | None,
) -> str:
    """Change a password for oneself; returns the secret of a new session, all others end.

    Raises like `log_in` for the present password and like `set_password` for the new one.
    """
    with service.database.read() as connection:
        person = PEOPLE.get(connection, person_id)
    assert isinstance(person, models.Person)
    log_in(service, passwords, person.name, change.current.get_secret_value(), address)
    now = service.clock()
    set_password(service, passwords, person_id, change.password.get_secret_value(), now)
    with service.database.write() as connection:
        return begin_session(connection, person_id, now)


def give_token(
    service: Service, new: models.NewToken, person_id: int, by: Entrant
) -> models.MadeToken:
    """Make a token in somebody's hand; its secret is in the answer and nowhere else.

    Raises
    ------
    NotFound
    Refusal
        If that person's own role lacks what the token's would allow, or it would have ended.
    Conflict
        If that person is not active.
    """
    with service.database.write() as connection:
        person = PEOPLE.get(connection, person_id)
        if not isinstance(person, models.Person) or not person.active:
            raise Conflict("person_id", f"must be somebody active, but {person_id} is not")
        if not RIGHTS[new.role] <= RIGHTS[person.role]:
            raise Refusal(
                "role",
                f"must allow no more than that of the person in whose hand it is, {person.role}, "
                f"got {new.role}",
            )
        expires_at = new.expires_at and in_utc(new.expires_at, the_room(connection))
        if expires_at is not None and expires_at <= by.at:
            raise Refusal(
                "expires_at", f"must be still to come, got {expires_at:%Y-%m-%d %H:%M} UTC"
            )
        values = {
            "name": new.name,
            "role": str(new.role),
            "person_id": person_id,
            "made_at": by.at,
            "made_by": by.person_id,
            "expires_at": expires_at,
        }
        token_id, secret = make_token(connection, values)
    rest = {"id": token_id, "used_at": None, "revoked_at": None}
    return models.MadeToken.model_validate({**values, **rest, "secret": secret})


def _checked_hash(service: Service, passwords: Passwords, password: str, name: str) -> str:
    least = service.settings.min_password_length
    check_new_password(password, least=least, names=[name])
    return passwords.hash(password)


def _keep_password(
    connection: sa.Connection, person: models.Person, hashed: str, now: datetime
) -> None:
    if is_open(connection) and not (person.role is Role.OWNER and person.active):
        raise Conflict("password", "must first be set for an active owner")
    _write_hash(connection, person.id, hashed, now)
    end_sessions(connection, person.id)
    revoke_tokens(connection, person.id, now)


def _write_hash(connection: sa.Connection, person_id: int, hashed: str, now: datetime) -> None:
    connection.execute(sa.delete(PERSON_PASSWORD).where(PERSON_PASSWORD.c.person_id == person_id))
    connection.execute(
        sa.insert(PERSON_PASSWORD).values(person_id=person_id, hash=hashed, set_at=now)
    )


def _kept_hash(connection: sa.Connection, person_id: int) -> str | None:
    return connection.execute(
        sa.select(PERSON_PASSWORD.c.hash).where(PERSON_PASSWORD.c.person_id == person_id)
    ).scalar()


def set_owners_password(
    service: Service, passwords: Passwords, name: str, password: str, by: Entrant
) -> None:
    """For whoever is at the machine itself: make an owner, or give one a new password.

    Raises
    ------
    Refusal
        If the password breaks its rules, or the name is of somebody who is no active owner.
    """
    with service.database.read() as connection:
        row = person_named(connection, name)
    check_new_password(password, least=service.settings.min_password_length, names=[name])
    if row is None:
        new = models.NewPersonForm.model_validate(
            {"name": name, "role": Role.OWNER, "password": password}
        )
        add_person(service, passwords, new, by)
        return
    if row["role"] != Role.OWNER or not row["active"]:
        raise Refusal("name", f"must be new or an active owner's, but {name} is {row['role']}")
    set_password(service, passwords, row["id"], password, by.at)
