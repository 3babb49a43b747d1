"""One's own password, and the way in for phones."""

import os
import shlex
from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa
from fastapi import APIRouter, Request
from pydantic import SecretStr
from starlette.responses import RedirectResponse, Response

from service.accounts.accounts import change_own_password
from service.accounts.origin import is_loopback
from service.accounts.people import is_open
from service.accounts.roles import Entrance
from service.accounts.session_cookie import give_cookie, log_out
from service.log.refusals import Conflict, NotLoggedIn, Refusal
from service.models.accounts import OwnPassword
from service.pages import addresses
from service.pages.forms.forms import TypedForm, answered
from service.pages.frame import show
from service.pages.notices import done
from service.pages.set_up.fields import NOTHING_SAID, Said, shown_again
from service.route_arguments import ThePasswords, TheService, TheVisitor, address_of
from service.settings import Settings

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class PasswordPage:
    """The form of one's own password."""

    least: int
    still_open: bool
    broken: Mapping[str, str]


@dataclass(frozen=True)
class PhonesPage:
    """How the service listens, and what phones need to reach it.

    Parameters
    ----------
    still_open, here_alone : bool
    command : str
        Starts this room, not another one, so that the network reaches it.
    environment : tuple of str
        Names of variables of the environment that say where this room's log is.
    port : int
    https, proxies : bool
    """

    still_open: bool
    here_alone: bool
    command: str
    environment: tuple[str, ...]
    port: int
    https: bool
    proxies: bool


@router.get(addresses.SET_UP_PASSWORD)
def password_page(service: TheService, request: Request) -> Response:
    """The own password, and logging out everywhere."""
    with service.database.read() as connection:
        return _show(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_PASSWORD)
def post_own_password(
    service: TheService,
    passwords: ThePasswords,
    visitor: TheVisitor,
    request: Request,
    typed: TypedForm,
) -> Response:
    """Changes it; all other sessions and all tokens of this person end."""

    def act() -> Response:
        if visitor.entrance is not Entrance.SESSION or visitor.person_id is None:
            raise Conflict("log-in", f"must be by name and password, got {visitor.entrance}")
        current, new, again = (
            str(typed.form.get(name) or "") for name in ("current", "password", "password_again")
        )
        if not current:
            raise Refusal("current", "must be given: the password until now")
        if new != again:
            raise Refusal("password_again", "must be the same as the new password")
        change = OwnPassword(current=SecretStr(current), password=SecretStr(new))
        try:
            secret = change_own_password(
                service, passwords, visitor.person_id, change, address_of(request)
            )
        except NotLoggedIn as error:
            # Whoever asks is logged in; only the typed password is not theirs.
            raise Refusal("current", "is not your password until now") from error
        said = "Your password is changed. All other browsers and tokens of yours are out."
        response = done(addresses.SET_UP, said)
        give_cookie(service, request, response, secret)
        return response

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show(request, connection, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.post(f"{addresses.SET_UP_PASSWORD}/log-out-everywhere")
def post_log_out_everywhere(service: TheService, visitor: TheVisitor) -> Response:
    """Ends all sessions of this person, this one too."""
    response = RedirectResponse(addresses.LOG_IN, status_code=303)
    log_out(service, visitor, response, everywhere=True)
    return response


@router.get(addresses.SET_UP_PHONES)
def phones_page(service: TheService, request: Request) -> Response:
    """How phones reach this service."""
    settings = service.settings
    with service.database.read() as connection:
        page = PhonesPage(
            is_open(connection),
            is_loopback(settings.host),
            _command(settings),
            _environment(settings),
            settings.port,
            request.url.scheme == "https",
            bool(settings.trusted_proxies),
        )
        return show(request, connection, "set_up/phones.html", page, here=addresses.MORE)


def _command(settings: Settings) -> str:
    words = ["trayvision", "serve", "--host", "0.0.0.0", "--port", str(settings.port)]
    if settings.data != Settings.model_fields["data"].default:
        words += ["--data", str(settings.data.resolve())]
    return shlex.join(words)


def _environment(settings: Settings) -> tuple[str, ...]:
    """Variables that must be set for the command too: addresses hold passwords, so only names."""
    names = ["TRAYVISION_DATA"] if os.environ.get("TRAYVISION_DATA") else []
    return (*names, "TRAYVISION_DATABASE_URL") if settings.database_url else tuple(names)


def _show(request: Request, connection: sa.Connection, said: Said) -> Response:
    least = request.app.state.service.settings.min_password_length
    page = PasswordPage(least, is_open(connection), said.broken)
    return show(request, connection, "set_up/password.html", page, here=addresses.MORE)
