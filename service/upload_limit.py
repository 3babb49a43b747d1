"""Stops a request body that grows past what any allowed upload can be."""

from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.problems import Problem, problem_response

# What multipart adds around the photos themselves, and a JSON body at most has.
_OVERHEAD_BYTES = 1_000_000


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
        self._limit = max_photo_bytes * max_photos + _OVERHEAD_BYTES

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        stated = dict(scope["headers"]).get(b"content-length", b"")
        if stated.isdigit() and int(stated) > self._limit:
            problem = Problem(title="Too large", status=413, detail=self._rule())
            response = problem_response(HTTPConnection(scope), problem)
            await response(scope, receive, send)
            return
        came = 0

        async def counted() -> Message:
            nonlocal came
            message = await receive()
            came += len(message.get("body", b""))
            if came > self._limit:
                # The framework lets its own errors through and answers all others with 400.
                raise HTTPException(413, self._rule())
            return message

        await self._app(scope, counted, send)

    def _rule(self) -> str:
        return f"body must have at most {self._limit / 1e6:g} MB in all, but it has more"
