"""The gate in front of every path: who asks, whether they may, and whether they themselves ask.

Whoever is let in is found in the request's state: `visitor`, and `person_id` for what is entered.
No header of a proxy is believed here; the server puts a proxy's word in place of the peer only
where ``trusted_proxies`` names that proxy.
"""

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from service.accounts.access_rules import rights_needed
from service.accounts.origin import from_this_machine, is_forged
from service.accounts.people import is_open
from service.accounts.roles import OPEN_ROOM_VISITOR, Entrance, Right, Visitor, missing_role
from service.accounts.session_cookie import SESSION_COOKIE
from service.accounts.sessions import visitor_with_session, visitor_with_token
from service.context import Service
from service.log.refusals import NotAllowed, NotLoggedIn, Refusal
from service.pages import addresses
from service.pages.forms.kept_form import LogInPage, form_to_keep
from service.pages.frame import show_plain
from service.problems import refusal_response

OPEN_ROOM_HEADER = "Trayvision-Open-Room"


class Gate:
    """ASGI middleware; answers by itself whoever may not pass.

    Parameters
    ----------
    app : ASGI application
    service : Service
    """

    def __init__(self, app: ASGIApp, *, service: Service) -> None:
        self._app = app
        self._service = service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            # No path of the service speaks anything else.
            await WebSocketClose(1008)(scope, receive, send)
            return
        request = HTTPConnection(scope)
        try:
            visitor = await self._let_in(request)
        except NotLoggedIn as refusal:
            kept = await form_to_keep(Request(scope, receive))
            response = refusal_response(request, refusal)
            if kept is not None:
                page = LogInPage("", addresses.NOW, kept=kept)
                response = show_plain("log_in.html", page, status=refusal.status)
            await response(scope, receive, send)
            return
        except Refusal as refusal:
            await refusal_response(request, refusal)(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        state["visitor"] = visitor
        state["person_id"] = None if visitor is None else visitor.person_id
        open_room = visitor is not None and visitor.entrance is Entrance.OPEN_ROOM
        await self._app(scope, receive, _saying_open(send) if open_room else send)

    async def _let_in(self, request: HTTPConnection) -> Visitor | None:
        """Who passes; None for what anyone may ask. Raises Refusal for who does not."""
        needed = rights_needed(request.scope["method"], request.scope["path"])
        if needed == {Right.ANYONE}:
            _check_not_forged(request, must_say=False)
            return None
        visitor = await run_in_threadpool(self._visitor, request)
        if visitor.by_browser:
            _check_not_forged(request, must_say=visitor.entrance is Entrance.SESSION)
        if not needed <= visitor.rights:
            raise NotAllowed("role", missing_role(visitor, needed))
        return visitor

    def _visitor(self, request: HTTPConnection) -> Visitor:
        service = self._service
        shown = request.headers.get("authorization")
        if shown is not None:
            scheme, _, secret = shown.partition(" ")
            visitor = (
                visitor_with_token(service.database, secret.strip(), service.clock())
                if scheme.lower() == "bearer"
                else None
            )
            return _found(visitor, "token", "is not valid (any more)")
        secret = request.cookies.get(SESSION_COOKIE, "")
        if secret:
            visitor = visitor_with_session(
                service.database, service.settings, secret, service.clock()
            )
            if visitor is not None:
                return visitor
        with service.database.read() as connection:
            room_is_open = is_open(connection)
        if not room_is_open:
            raise NotLoggedIn("log-in", "is needed: no session or token that holds came along")
        if not from_this_machine(request):
            raise NotAllowed(
                "host",
                "must be this machine's own, such as localhost, while no password is set",
            )
        return OPEN_ROOM_VISITOR


def _found(visitor: Visitor | None, what: str, rule: str) -> Visitor:
    if visitor is None:
        raise NotLoggedIn(what, rule)
    return visitor


def _check_not_forged(request: HTTPConnection, *, must_say: bool) -> None:
    if is_forged(request, must_say=must_say):
        raise NotAllowed(
            "origin",
            "must be the service's own pages (Sec-Fetch-Site, Origin); programs use a token",
        )


def _saying_open(send: Send) -> Send:
    async def said(message: Message) -> None:
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message)[OPEN_ROOM_HEADER] = "no password is set"
        await send(message)

    return said
