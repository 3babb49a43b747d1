"""Paths of log-ins, people and tokens."""

from collections.abc import Callable, Coroutine
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute

from service.accounts.accounts import (
    add_person,
    change_own_password,
    give_token,
    log_in,
    set_password,
)
from service.accounts.people import PEOPLE, correct_person
from service.accounts.roles import Entrance
from service.accounts.session_cookie import give_cookie, log_out
from service.accounts.sessions import (
    end_session,
    revoke_token,
    sessions_of,
    tokens,
)
from service.log.refusals import Conflict
from service.models import accounts as models
from service.models.base import LARGEST_ID
from service.models.room import History
from service.problems import RESPONSES
from service.route_arguments import (
    By,
    Limit,
    Offset,
    ThePasswords,
    TheService,
    TheVisitor,
    address_of,
)


class _DiscreetRoute(APIRoute):
    """Errors name the field and the rule, but never repeat what came: it may be a password."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handler = super().get_route_handler()

        async def discreet(request: Request) -> Response:
            try:
                return await handler(request)
            except RequestValidationError as error:
                shown = [{**one, "input": None} for one in error.errors()]
            raise RequestValidationError(shown)

        return discreet


router = APIRouter(
    prefix="/api", tags=["accounts"], responses=RESPONSES, route_class=_DiscreetRoute
)


PersonId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
SessionId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
TokenId = Annotated[int, Path(ge=1, le=LARGEST_ID)]


@router.post("/login", summary="Log in")
def login(
    service: TheService,
    passwords: ThePasswords,
    request: Request,
    response: Response,
    form: models.Login,
) -> models.Me:
    """Sets the session's cookie. After some wrong tries 429 says how long to wait."""
    person, secret = log_in(
        service, passwords, form.name, form.password.get_secret_value(), address_of(request)
    )
    give_cookie(service, request, response, secret)
    return models.Me(entrance=Entrance.SESSION, role=person.role, person=person)


@router.post("/logout", status_code=204, summary="Log out")
def logout(
    service: TheService,
    visitor: TheVisitor,
    response: Response,
    everywhere: Annotated[bool, Query(description="In all browsers of this person.")] = False,
) -> None:
    """Ends this browser's session, or all of this person's; a token can end none."""
    log_out(service, visitor, response, everywhere=everywhere)


@router.get("/me", summary="Who is asking")
def me(service: TheService, visitor: TheVisitor) -> models.Me:
    """Role and person of the session or token that came along."""
    if visitor.person_id is None:
        return models.Me(entrance=visitor.entrance, role=visitor.role, person=None)
    with service.database.read() as connection:
        person = PEOPLE.get(connection, visitor.person_id)
    return models.Me.model_validate(
        {"entrance": visitor.entrance, "role": visitor.role, "person": person}
    )


@router.post("/me/password", summary="Change the own password")
def post_own_password(
    service: TheService,
    passwords: ThePasswords,
    visitor: TheVisitor,
    request: Request,
    response: Response,
    change: models.OwnPassword,
) -> models.Me:
    """Ends all other sessions and all tokens of this person; this browser gets a new session."""
    if visitor.entrance is not Entrance.SESSION or visitor.person_id is None:
        raise Conflict("log-in", f"must be by name and password, got {visitor.entrance}")
    secret = change_own_password(service, passwords, visitor.person_id, change, address_of(request))
    give_cookie(service, request, response, secret)
    return me(service, visitor)


@router.get("/people", response_model=list[models.Person], summary="List people")
def list_people(service: TheService, limit: Limit = 200, offset: Offset = 0) -> Any:
    """Everybody, so that whoever entered something has a name."""
    with service.database.read() as connection:
        return PEOPLE.all(connection, limit=limit, offset=offset)


@router.post("/people", status_code=201, summary="Enter a person")
def post_person(
    service: TheService, passwords: ThePasswords, by: By, new: models.NewPersonForm
) -> models.Person:
    """The first one with a password must be an owner, and closes the room to whoever has none."""
    return add_person(service, passwords, new, by)


@router.get("/people/{person_id}", response_model=models.Person, summary="One person")
def get_person(service: TheService, person_id: PersonId) -> Any:
    """As corrected last."""
    with service.database.read() as connection:
        return PEOPLE.get(connection, person_id)


@router.patch("/people/{person_id}", summary="Correct a person")
def patch_person(
    service: TheService, by: By, person_id: PersonId, change: models.PersonChange
) -> models.Person:
    """Whoever is made inactive is logged out everywhere and loses all tokens."""
    return correct_person(service, person_id, change, by)


@router.get("/people/{person_id}/history", summary="All that was said of a person")
def person_history(service: TheService, person_id: PersonId) -> History:
    """First entry first; passwords are no part of it."""
    with service.database.read() as connection:
        return PEOPLE.history(connection, person_id)


@router.put("/people/{person_id}/password", status_code=204, summary="Give a person a password")
def put_password(
    service: TheService,
    passwords: ThePasswords,
    person_id: PersonId,
    new: models.NewPassword,
) -> None:
    """Ends all sessions and tokens of that person."""
    set_password(service, passwords, person_id, new.password.get_secret_value(), service.clock())


@router.get("/people/{person_id}/sessions", summary="Where a person is logged in")
def list_sessions(service: TheService, person_id: PersonId) -> list[models.Session]:
    """Browsers, the last used first; tokens are listed apart."""
    with service.database.read() as connection:
        PEOPLE.get(connection, person_id)
        rows = sessions_of(connection, service.settings, person_id, service.clock())
        return [
            models.Session.model_validate({name: row[name] for name in models.Session.model_fields})
            for row in rows
        ]


@router.delete("/sessions/{session_id}", status_code=204, summary="End a session")
def delete_session(service: TheService, session_id: SessionId) -> None:
    """That browser has to log in again; for a phone that was lost."""
    with service.database.write() as connection:
        end_session(connection, session_id)


@router.get("/tokens", summary="List tokens")
def list_tokens(service: TheService) -> list[models.Token]:
    """All that were ever made, without their secrets."""
    with service.database.read() as connection:
        return [_token(row) for row in tokens(connection)]


@router.post("/tokens", status_code=201, summary="Make a token")
def post_token(
    service: TheService, visitor: TheVisitor, by: By, response: Response, new: models.NewToken
) -> models.MadeToken:
    """For a camera or a script; its secret is shown this once."""
    person_id = new.person_id or visitor.person_id
    if person_id is None:
        raise Conflict("person_id", "must be given while nobody is logged in")
    response.headers["Cache-Control"] = "no-store"
    return give_token(service, new, person_id, by)


@router.delete("/tokens/{token_id}", status_code=204, summary="Revoke a token")
def delete_token(service: TheService, token_id: TokenId) -> None:
    """For good and at once; that it was stays in the list."""
    with service.database.write() as connection:
        revoke_token(connection, token_id, service.clock())


def _token(row: Any) -> models.Token:
    return models.Token.model_validate({name: row[name] for name in models.Token.model_fields})
