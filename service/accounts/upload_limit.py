"""Stops a request body that grows past what its path can need.

Photos alone are large. Whoever is not logged in yet sends a name and a password, or what was typed
while a log-in ended.
"""

from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.accounts.access_rules import rights_needed
from service.accounts.roles import Right
from service.problems import Problem, problem_response

# What multipart adds around the photos themselves, and any other body at most has.
_PLAIN_BYTES: Final = 1_000_000
# The log-in's page sends a form that was kept along, packed a second time: at most three letters
# for each of its 100 000.
_NOT_LOGGED_IN_BYTES: Final = 400_000
_OF_PHOTOS: Final = frozenset({"/api/photos", "/snap"})


class UploadLimit:
    """ASGI middleware; says 413 before the body is read where its length is stated.

    Parameters
    ----------
    app : ASGI application
    max_photo_bytes, max_photos : int
        From the settings.
    """

    def __init__(self, app: ASGIApp, *, max_photo_bytes: int, max_photos: int) -> None:
        self._app = app
        self._of_photos = max_photo_bytes * max_photos + _PLAIN_BYTES

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        limit = self._limit(scope["method"], scope["path"])
        rule = f"body must have at most {limit / 1e6:g} MB in all, but it has more"
        stated = dict(scope["headers"]).get(b"content-length", b"")
        if stated.isdigit() and int(stated) > limit:
            problem = Problem(title="Too large", status=413, detail=rule)
            response = problem_response(HTTPConnection(scope), problem)
            await response(scope, receive, send)
            return
        came = 0

        async def counted() -> Message:
            nonlocal came
            message = await receive()
            came += len(message.get("body", b""))
            if came > limit:
                # The framework lets its own errors through and answers all others with 400.
                raise HTTPException(413, rule)
            return message

        await self._app(scope, counted, send)

    def _limit(self, method: str, path: str) -> int:
        if method == "POST" and path in _OF_PHOTOS:
            return self._of_photos
        if rights_needed(method, path) == {Right.ANYONE}:
            return _NOT_LOGGED_IN_BYTES
        return _PLAIN_BYTES
