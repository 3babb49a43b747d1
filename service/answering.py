"""Whether somebody waits for an answer just now: what nobody waits for goes after them.

Python runs one thread at a time, so that a page beside other work takes two or three times as
long as one alone.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Final

from starlette.types import ASGIApp, Receive, Scope, Send

# Who enters something is shown the next page by a second request, which comes at once.
_PAUSE_SECONDS: Final = 0.25


class Answering:
    """Counts the requests under way; safe to share between threads."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._under_way = 0
        self._last = monotonic() - _PAUSE_SECONDS

    @contextmanager
    def one(self) -> Iterator[None]:
        """One request, from its first byte to its last."""
        with self._changed:
            self._under_way += 1
        try:
            yield
        finally:
            with self._changed:
                self._under_way -= 1
                self._last = monotonic()
                self._changed.notify_all()

    @property
    def under_way(self) -> int:
        """How many requests are being answered."""
        return self._under_way

    def wait_for_pause(self, most_seconds: float) -> None:
        """Return when nothing was answered for a moment, or after `most_seconds` at the latest."""
        until = monotonic() + most_seconds
        with self._changed:
            while (now := monotonic()) < until:
                if self._under_way:
                    self._changed.wait(until - now)
                elif (quiet := now - self._last) < _PAUSE_SECONDS:
                    self._changed.wait(min(until - now, _PAUSE_SECONDS - quiet))
                else:
                    return


class CountsAnswers:
    """ASGI middleware that counts every request.

    Parameters
    ----------
    app : ASGI application
    answering : Answering
    """

    def __init__(self, app: ASGIApp, *, answering: Answering) -> None:
        self._app = app
        self._answering = answering

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        with self._answering.one():
            await self._app(scope, receive, send)
