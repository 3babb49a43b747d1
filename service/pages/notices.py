"""What was just done, said on the next page, with its undo: carried by a cookie, no script."""

import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse, Response

from service.pages import addresses

_COOKIE: Final = "trayvision_notice"
_KEPT_SECONDS: Final = 120


@dataclass(frozen=True)
class Entry:
    """A row that an action entered: what an undo takes back.

    Parameters
    ----------
    kind : str
        Name of its table, one of those that `service.undoing` knows.
    entry_id : int
    """

    kind: str
    entry_id: int

    def __str__(self) -> str:
        return f"{self.kind}:{self.entry_id}"

    @classmethod
    def parse(cls, text: str) -> "Entry":
        """Read it back. Raises ValueError."""
        kind, _, number = text.partition(":")
        if not number.isascii() or not number.isdigit():
            raise ValueError(f"an entry must be like run:12, got {text!r}")
        return cls(kind, int(number))


@dataclass(frozen=True)
class Notice:
    """What was just done, the entries that take it back, and where that leads if not here."""

    words: str
    undo: tuple[str, ...] = ()
    undone: str = ""


def done(to: str, words: str, *, undo: Sequence[Entry] = (), undone: str = "") -> Response:
    """Go on to a page that says what was just done.

    Parameters
    ----------
    to : str
    words : str
    undo : sequence of Entry
        What takes it back.
    undone : str
        Where that leads, if `to` is the page of a thing that is no more then.
    """
    response = RedirectResponse(to, status_code=303)
    entries = [str(entry) for entry in undo]
    said = json.dumps({"words": words, "undo": entries, "undone": undone})
    response.set_cookie(
        _COOKIE,
        urlsafe_b64encode(said.encode()).decode(),
        max_age=_KEPT_SECONDS,
        httponly=True,
        samesite="strict",
    )
    return response


def notice_of(request: HTTPConnection) -> Notice | None:
    """What the last page left to be said; None where nothing, or nothing readable."""
    text = request.cookies.get(_COOKIE)
    if text is None:
        return None
    try:
        said = json.loads(urlsafe_b64decode(text.encode()))
        entries = tuple(str(Entry.parse(one)) for one in said["undo"])
        return Notice(str(said["words"]), entries, str(said["undone"]))
    except (ValueError, KeyError, TypeError):
        return None


def forget_notice(response: Response) -> None:
    """It was said."""
    response.delete_cookie(_COOKIE, httponly=True, samesite="strict")


def back(request: HTTPConnection, otherwise: str) -> str:
    """The page of this service that a form was sent from."""
    came_from = request.headers.get("referer", "")
    host = request.headers.get("host", "")
    _, found, path = came_from.partition(f"://{host}")
    return addresses.own_path(path) if host and found and path else otherwise
