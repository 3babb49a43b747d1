"""People of the room: who may come in, with which role, password and tokens."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.accounts.accounts import add_person, give_token, set_password
from service.accounts.people import PEOPLE, correct_person, have_passwords, is_open
from service.accounts.roles import RIGHTS, Entrance, Role, Visitor
from service.accounts.session_cookie import give_cookie
from service.accounts.sessions import (
    begin_session,
    end_session,
    end_sessions,
    revoke_token,
    sessions_of,
    tokens,
)
from service.context import Service
from service.log.refusals import NotFound, Refusal
from service.models.accounts import NewPersonForm, NewToken, Person, PersonChange, Session, Token
from service.models.base import LARGEST_ID
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import NOTHING_SAID, Fields, Said, shown_again
from service.pages.set_up.token_page import TokenPage, address_of_service, show_token
from service.route_arguments import By, ThePasswords, TheService

router = APIRouter(include_in_schema=False)

PersonId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
TokenId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
SessionId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_ALL: Final = 1000
_PERSON: Final = f"{addresses.SET_UP_PEOPLE}/{{person_id}}"
_ROLES: Final = (
    (Role.OWNER, "Owner: everything, also people, cameras and messages"),
    (Role.WORKER, "Worker: photos, runs, harvests, readings, trays, racks and lots"),
    (Role.READ_ONLY, "Read only: sees everything, changes nothing"),
)
_TOKEN_ROLES: Final = ((Role.CAMERA, "Can send photos and nothing else"), *_ROLES[1:])


@dataclass(frozen=True)
class PeoplePage:
    """Everybody, all tokens in use, and the form of somebody new."""

    people: tuple[Person, ...]
    with_password: frozenset[int]
    tokens: tuple[tuple[Token, str], ...]
    roles: tuple[tuple[Role, str], ...]
    least: int
    still_open: bool
    form: Fields


@dataclass(frozen=True)
class PersonPage:
    """One person: role, password, browsers logged in, tokens; `this_session` asks for the page."""

    person: Person
    has_password: bool
    tokens: tuple[Token, ...]
    sessions: tuple[Session, ...]
    this_session: int | None
    roles: tuple[tuple[Role, str], ...]
    token_roles: tuple[tuple[Role, str], ...]
    least: int
    form: Fields
    token_form: Fields
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_PEOPLE)
def people_page(service: TheService, request: Request) -> Response:
    """Everybody, and a form for somebody new."""
    with service.database.read() as connection:
        return _show_people(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_PEOPLE)
def post_person(
    service: TheService, passwords: ThePasswords, by: By, request: Request, typed: TypedForm
) -> Response:
    """Enters somebody; the first owner's password closes the room and logs this browser in."""

    def act() -> Response:
        with service.database.read() as connection:
            first = is_open(connection)
        password = _typed_password(typed)
        if first and password is None and typed.text("role") == Role.OWNER:
            raise Refusal("password", "must be given for the first owner")
        new = typed.read(NewPersonForm, "name", "role", password=password)
        person = add_person(service, passwords, new, by)
        if not first or password is None:
            undo = [Entry("person", person.entry_id)]
            return done(addresses.SET_UP_PEOPLE, f"{person.name} is entered.", undo=undo)
        said = f"{person.name} is the owner now, and you are logged in. The room is closed."
        response = done(addresses.SET_UP_PHONES, said)
        with service.database.write() as connection:
            secret = begin_session(connection, person.id, service.clock())
        give_cookie(service, request, response, secret)
        return response

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_people(request, connection, said)

    return answered(typed, act, shown_again(service, "new", shown))


@router.get(_PERSON)
def person_page(service: TheService, request: Request, person_id: PersonId) -> Response:
    """One person."""
    with service.database.read() as connection:
        return _show_person(request, connection, person_id)


@router.post(_PERSON)
def patch_person(
    service: TheService, by: By, request: Request, person_id: PersonId, typed: TypedForm
) -> Response:
    """Corrects name and role, or lets somebody in no longer."""

    def act() -> Response:
        active = bool(typed.texts("active"))
        change = typed.read(PersonChange, "name", "role", active=active)
        person = correct_person(service, person_id, change, by)
        said = f"{person.name} is corrected."
        if not person.active:
            said = f"{person.name} is inactive: logged out everywhere, all tokens ended."
        return done(addresses.SET_UP_PEOPLE, said, undo=[Entry("person", person.entry_id)])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_person(request, connection, person_id, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.post(f"{_PERSON}/password")
def post_password(
    service: TheService,
    passwords: ThePasswords,
    request: Request,
    person_id: PersonId,
    typed: TypedForm,
) -> Response:
    """Gives somebody a new password; ends that person's sessions and tokens."""

    def act() -> Response:
        password = _typed_password(typed)
        if password is None:
            raise Refusal("password", "must be given")
        set_password(service, passwords, person_id, password, service.clock())
        return done(
            f"{addresses.SET_UP_PEOPLE}/{person_id}",
            "The password is set. Sessions and tokens from before are ended.",
        )

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_person(request, connection, person_id, said)

    return answered(typed, act, shown_again(service, "password", shown))


@router.post(f"{_PERSON}/log-out")
def post_log_out(service: TheService, person_id: PersonId) -> Response:
    """Logs somebody out in all browsers; tokens stay."""
    with service.database.write() as connection:
        person = PEOPLE.get(connection, person_id)
        assert isinstance(person, Person)
        end_sessions(connection, person_id)
    said = f"{person.name} is logged out everywhere."
    return done(f"{addresses.SET_UP_PEOPLE}/{person_id}", said)


@router.post(f"{_PERSON}/sessions/{{session_id}}/end")
def post_end_session(service: TheService, person_id: PersonId, session_id: SessionId) -> Response:
    """Logs somebody out in one browser, such as that of a phone that was lost."""
    with service.database.write() as connection:
        person = PEOPLE.get(connection, person_id)
        assert isinstance(person, Person)
        if session_id not in [one.id for one in _sessions(service, connection, person_id)]:
            raise NotFound("session", f"{session_id} of {person.name}")
        end_session(connection, session_id)
    said = f"{person.name} is logged out in that browser."
    return done(f"{addresses.SET_UP_PEOPLE}/{person_id}", said)


@router.post(f"{_PERSON}/tokens")
def post_token(
    service: TheService, by: By, request: Request, person_id: PersonId, typed: TypedForm
) -> Response:
    """Makes a token in somebody's hand; it is shown this once."""

    def act() -> Response:
        new = NewToken.model_validate(
            {"name": typed.text("token_name"), "role": typed.text("token_role")}
        )
        made = give_token(service, new, person_id, by)
        address = address_of_service(request)
        camera = made.name if made.role is Role.CAMERA else None
        back = f"{addresses.SET_UP_PEOPLE}/{person_id}"
        return show_token(request, TokenPage(made.name, made.secret, camera, address, back))

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_person(request, connection, person_id, said)

    return answered(typed, act, shown_again(service, "token", shown))


@router.post(f"{addresses.SET_UP_TOKENS}/{{token_id}}/revoke")
def post_revoke(service: TheService, token_id: TokenId) -> Response:
    """Ends a token for good."""
    with service.database.write() as connection:
        revoke_token(connection, token_id, service.clock())
    return done(addresses.SET_UP_PEOPLE, "The token is revoked: nothing gets in with it any more.")


def _typed_password(typed: Typed) -> str | None:
    """A password as it was typed, blanks kept; the second one must be the same."""
    first, second = (typed.form.get(name) for name in ("password", "password_again"))
    if not isinstance(first, str) or not first:
        return None
    if first != second:
        raise Refusal("password_again", "must be the same as the password")
    return first


def _tokens(connection: sa.Connection) -> list[Token]:
    return [
        Token.model_validate({name: row[name] for name in Token.model_fields})
        for row in tokens(connection)
        if row["revoked_at"] is None
    ]


def _sessions(service: Service, connection: sa.Connection, person_id: int) -> list[Session]:
    rows = sessions_of(connection, service.settings, person_id, service.clock())
    return [
        Session.model_validate({name: row[name] for name in Session.model_fields}) for row in rows
    ]


def _show_people(request: Request, connection: sa.Connection, said: Said) -> Response:
    people = [one for one in PEOPLE.all(connection, limit=_ALL) if isinstance(one, Person)]
    names = {person.id: person.name for person in people}
    still_open = is_open(connection)
    page = PeoplePage(
        tuple(people),
        have_passwords(connection),
        tuple((token, names.get(token.person_id, "")) for token in _tokens(connection)),
        _ROLES,
        request.app.state.service.settings.min_password_length,
        still_open,
        said.fields("new", {"role": Role.OWNER if still_open else Role.WORKER}),
    )
    return show(request, connection, "set_up/people.html", page, here=addresses.MORE)


def _show_person(
    request: Request, connection: sa.Connection, person_id: int, said: Said = NOTHING_SAID
) -> Response:
    person = PEOPLE.get(connection, person_id)
    assert isinstance(person, Person)
    visitor: Visitor = request.state.visitor
    held = {
        "name": person.name,
        "role": str(person.role),
        "active": ("yes",) if person.active else (),
    }
    token_roles = tuple(one for one in _TOKEN_ROLES if RIGHTS[one[0]] <= RIGHTS[person.role])
    page = PersonPage(
        person,
        person_id in have_passwords(connection),
        tuple(token for token in _tokens(connection) if token.person_id == person_id),
        tuple(_sessions(request.app.state.service, connection, person_id)),
        visitor.key_id if visitor.entrance is Entrance.SESSION else None,
        _ROLES,
        token_roles,
        request.app.state.service.settings.min_password_length,
        said.fields("form", held),
        said.fields("token", {"token_role": token_roles[0][0]}),
        said.broken,
    )
    return show(request, connection, "set_up/person.html", page, here=addresses.MORE)
