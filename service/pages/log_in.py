"""The log-in and the log-out."""

from fastapi import APIRouter, Query, Request
from pydantic import SecretStr
from starlette.responses import RedirectResponse, Response

from service.accounts.accounts import log_in
from service.accounts.session_cookie import give_cookie, log_out
from service.models.accounts import Login
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.forms.kept_form import LogInPage, unpacked
from service.pages.frame import show_plain
from service.route_arguments import ThePasswords, TheService, TheVisitor, address_of

router = APIRouter(include_in_schema=False)


@router.get(addresses.LOG_IN)
def log_in_page(next_path: str = Query(addresses.NOW, alias="next", max_length=2000)) -> Response:
    """Asks for name and password."""
    return show_plain("log_in.html", LogInPage("", addresses.own_path(next_path)))


@router.post(addresses.LOG_IN)
def post_log_in(
    service: TheService, passwords: ThePasswords, request: Request, typed: TypedForm
) -> Response:
    """Lets somebody in, or says what was wrong; the password is never shown again.

    What was typed elsewhere when the log-in had ended is shown to be saved now.
    """
    to = addresses.own_path(typed.text("next") or addresses.NOW)
    name = typed.text("name") or ""
    kept_for = typed.text("kept_for")
    kept = None if kept_for is None else unpacked(kept_for, typed.text("kept") or "")

    def act() -> Response:
        given = typed.form.get("password")
        form = Login(name=name, password=SecretStr(given if isinstance(given, str) else ""))
        person, secret = log_in(
            service, passwords, form.name, form.password.get_secret_value(), address_of(request)
        )
        response: Response = RedirectResponse(to, status_code=303)
        if kept is not None:
            response = show_plain("kept_form.html", LogInPage(person.name, to, kept=kept))
        give_cookie(service, request, response, secret)
        return response

    def again(said: Typed) -> Response:
        return show_plain("log_in.html", LogInPage(name, to, dict(said.broken), kept))

    return answered(typed, act, again)


@router.post(addresses.LOG_OUT)
def post_log_out(service: TheService, visitor: TheVisitor) -> Response:
    """Ends this browser's session."""
    response = RedirectResponse(addresses.LOG_IN, status_code=303)
    log_out(service, visitor, response)
    return response
