"""The cookie by which a browser keeps its session: given at the log-in, taken at the log-out."""

from contextlib import suppress
from typing import Final, Literal

from starlette.requests import Request
from starlette.responses import Response

from service.accounts.roles import Entrance, Visitor
from service.accounts.sessions import end_session, end_sessions
from service.context import Service
from service.log.refusals import Conflict, NotFound

SESSION_COOKIE: Final = "trayvision_session"


def give_cookie(service: Service, request: Request, response: Response, secret: str) -> None:
    """Let the browser keep a session's secret."""
    same_site: Literal["lax"] = "lax"
    response.set_cookie(
        SESSION_COOKIE,
        secret,
        max_age=round(service.settings.session_days * 86_400),
        httponly=True,
        samesite=same_site,
        secure=request.url.scheme == "https",
    )
    response.headers["Cache-Control"] = "no-store"


def log_out(
    service: Service, visitor: Visitor, response: Response, *, everywhere: bool = False
) -> None:
    """End this browser's session, or all of this person's, and take the cookie back.

    Raises
    ------
    Conflict
        If a token asks for all: it can end none.
    """
    if everywhere and visitor.entrance is Entrance.TOKEN:
        raise Conflict("log-in", f"must be by name and password, got {visitor.entrance}")
    with service.database.write() as connection:
        if everywhere and visitor.person_id is not None:
            end_sessions(connection, visitor.person_id)
        elif visitor.entrance is Entrance.SESSION and visitor.key_id is not None:
            # Twice at once is no mistake.
            with suppress(NotFound):
                end_session(connection, visitor.key_id)
    response.delete_cookie(SESSION_COOKIE, httponly=True, samesite="lax")
