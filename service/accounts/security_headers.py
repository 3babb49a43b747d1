"""What every answer tells a browser about how far to trust it."""

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Pages load from the service alone and are shown in no other page's frame. "same-origin" keeps
# addresses inside, yet lets browsers say Origin, by which forged requests are known.
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' blob:; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    # Kept by the one browser only, and asked for again: the next may be logged out.
    "Cache-Control": "private, no-cache",
}
# A browser shows a picture that is opened alone in a page of its own making, laid out by inline
# styles: pages' policy would forbid these, leave the picture in a corner and complain.
PICTURE_POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'none'"
)


class SecurityHeaders:
    """ASGI middleware; what a route has set itself stays.

    Parameters
    ----------
    app : ASGI application
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Add the headers to whatever is answered."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if headers.get("content-type", "").startswith("image/"):
                    headers.setdefault("Content-Security-Policy", PICTURE_POLICY)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, with_headers)
