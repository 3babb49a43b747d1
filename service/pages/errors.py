"""Errors as pages, where a person asks with a browser; the API's stay problem documents."""

import re
from dataclasses import dataclass

from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse, Response

from service.pages import addresses
from service.pages.frame import show_plain

_FOR_PROGRAMS = ("/api/", "/static/", "/openapi.json", "/healthz")


@dataclass(frozen=True)
class ErrorPage:
    """What went wrong, in a sentence, and what to do about it."""

    status: int
    title: str
    detail: str
    back: str
    what_to_do: str


_WHAT_TO_DO = {
    403: "Ask the owner of this room, or log in as somebody who may.",
    404: "It may have been withdrawn, or the address was mistyped.",
    409: "Go back, load the page again to see how it stands now, and try once more.",
    413: "Send fewer or smaller photos at a time.",
    422: "Go back: what you typed should still be there. Correct it and send it again.",
    429: "Wait a little. Whoever is locked out can set a new password at the machine itself.",
    503: "What was saved before is kept. Try again in a few seconds.",
}
_NO_SUCH_PAGE = "There is no such page"
# As problems name what came in an address, and the rule that it breaks.
_IN_ADDRESS = re.compile(r"(?:path|query)\.(?P<name>\w+)(?:\.\d+)?: ")
_ELSE = "What was saved before is kept. Go back and try again; if it stays, look at the machine."


def wants_page(request: HTTPConnection) -> bool:
    """Whether a person with a browser asks, for a page."""
    path = request.scope["path"]
    return not path.startswith(_FOR_PROGRAMS) and "text/html" in request.headers.get("accept", "")


def error_page(
    request: HTTPConnection, status: int, title: str, detail: str, headers: dict[str, str] | None
) -> Response:
    """An error as a page; whoever is not logged in is led to the log-in."""
    path = request.scope["path"]
    if status == 401:
        asked = path if request.scope["method"] in ("GET", "HEAD") else addresses.NOW
        query = request.scope.get("query_string", b"").decode("ascii", "replace")
        return RedirectResponse(
            addresses.log_in(f"{asked}?{query}" if query and asked == path else asked), 303
        )
    what_to_do = _WHAT_TO_DO.get(status, _ELSE)
    if status == 404 and detail == title:
        # The framework's own words for an address that leads nowhere.
        title, detail = _NO_SUCH_PAGE, f"Nothing of this room is at {path}."
    if status == 422 and (in_address := _IN_ADDRESS.match(detail)):
        title, what_to_do = _NO_SUCH_PAGE, _WHAT_TO_DO[404]
        named = in_address["name"].replace("_", " ")
        detail = f"In the address the {named} {detail[in_address.end() :]}."
    page = ErrorPage(status, title, detail, addresses.NOW, what_to_do)
    response = show_plain("error.html", page, status=status)
    response.headers.update(headers or {})
    return response
