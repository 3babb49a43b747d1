"""People of the room as they are entered, and which of them must stay."""

from collections.abc import Mapping
from datetime import datetime

import sqlalchemy as sa

from service.accounts.passwords import folded
from service.accounts.roles import Role
from service.accounts.sessions import end_sessions, revoke_tokens
from service.context import Service
from service.log.account_tables import PERSON_PASSWORD
from service.log.columns import METADATA
from service.log.entries import Entrant, current, history
from service.log.log_memory import LogMemory
from service.log.refusals import Conflict
from service.log.schema import PERSON
from service.models import accounts as models
from service.room.resources import Resource, Values


def is_open(connection: sa.Connection) -> bool:
    """Whether no password is set."""
    return connection.execute(sa.select(PERSON_PASSWORD.c.person_id).limit(1)).first() is None


def person_named(connection: sa.Connection, name: str) -> sa.RowMapping | None:
    """The person with a name, however it is written."""
    rows = connection.execute(sa.select(current(PERSON))).mappings()
    return next((row for row in rows if folded(row["name"]) == folded(name)), None)


def people_names(connection: sa.Connection) -> Mapping[int, str]:
    """Names of all people by id."""
    return _NAMES.of(connection)


def _read_names(connection: sa.Connection, _before: object) -> dict[int, str]:
    now = current(PERSON)
    return {row.id: row.name for row in connection.execute(sa.select(now.c.id, now.c.name))}


_NAMES = LogMemory((PERSON,), _read_names)


def have_passwords(connection: sa.Connection) -> frozenset[int]:
    """Who has a password, by id."""
    return frozenset(connection.execute(sa.select(PERSON_PASSWORD.c.person_id)).scalars())


def _name_is_free(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    taken = person_named(connection, values["name"])
    if taken is not None and taken["id"] != thing_id:
        raise Conflict("name", "must be new, but another person has it")


PEOPLE = Resource(PERSON, models.NewPerson, models.PersonChange, models.Person, check=_name_is_free)


def correct_person(
    service: Service, person_id: int, change: models.PersonChange, by: Entrant
) -> models.Person:
    """Correct a person; whoever is no longer active is logged out and loses all tokens.

    Raises
    ------
    NotFound
    Conflict
        If the name is taken, or no owner could log in any more.
    """
    with service.database.write() as connection:
        person = PEOPLE.correct(connection, person_id, change, by)
        assert isinstance(person, models.Person)
        _owner_must_stay(connection, person_id, by.at, still=person.active)
    return person


def take_back_person(connection: sa.Connection, person_id: int, by: Entrant) -> int:
    """Undo what was said last of a person; returns the id of the new row.

    Whoever is no longer entered or active is logged out and loses all tokens; sessions and tokens
    that had ended stay so.

    Raises
    ------
    NotFound
    Conflict
        If the name is taken meanwhile, no owner could log in any more, or somebody who was just
        entered has entered things.
    """
    entry_id = PEOPLE.take_back(connection, person_id, by)
    last = history(connection, PERSON, person_id)[-1]
    _owner_must_stay(connection, person_id, by.at, still=last["active"] and not last["withdrawn"])
    if last["withdrawn"] and _has_entered(connection, person_id):
        raise Conflict("person", "has entered things that name them: make them inactive instead")
    if last["withdrawn"]:
        connection.execute(
            sa.delete(PERSON_PASSWORD).where(PERSON_PASSWORD.c.person_id == person_id)
        )
    return entry_id


def _owner_must_stay(
    connection: sa.Connection, person_id: int, now: datetime, *, still: bool
) -> None:
    """Let in no longer who is not `still` there. Raises Conflict if no owner can log in then."""
    if not is_open(connection) and not _an_owner_can_log_in(connection):
        raise Conflict("person", "must stay: no other active owner has a password")
    if not still:
        end_sessions(connection, person_id)
        revoke_tokens(connection, person_id, now)


def _has_entered(connection: sa.Connection, person_id: int) -> bool:
    tables = [table for table in METADATA.sorted_tables if "entered_by" in table.c]
    entered = sa.or_(
        *(sa.exists().where(table.c.entered_by == person_id).correlate(None) for table in tables)
    )
    return bool(connection.execute(sa.select(entered)).scalar())


def _an_owner_can_log_in(connection: sa.Connection) -> bool:
    person = current(PERSON)
    statement = (
        sa.select(person.c.id)
        .join(PERSON_PASSWORD, PERSON_PASSWORD.c.person_id == person.c.id)
        .where(person.c.role == str(Role.OWNER), person.c.active.is_(sa.true()))
        .limit(1)
    )
    return connection.execute(statement).first() is not None
