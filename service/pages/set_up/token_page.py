"""A token, the only time that it is shown."""

from dataclasses import dataclass
from urllib.parse import urlsplit

from fastapi import Request
from starlette.responses import Response

from service.accounts.origin import is_loopback
from service.context import Service
from service.pages import addresses
from service.pages.frame import show


@dataclass(frozen=True)
class TokenPage:
    """A token, the only time that it is shown, and how to send a photo with it."""

    what_for: str
    secret: str
    camera: str | None
    address: str
    back: str

    @property
    def on_this_machine(self) -> bool:
        """Whether the address is one that no other machine can ask."""
        return is_loopback(urlsplit(self.address).hostname or "")


def show_token(request: Request, page: TokenPage) -> Response:
    """The page with a new token; no browser keeps it."""
    service: Service = request.app.state.service
    with service.database.read() as connection:
        response = show(request, connection, "set_up/token.html", page, here=addresses.MORE)
    response.headers["Cache-Control"] = "no-store"
    return response


def address_of_service(request: Request) -> str:
    """The address under which whoever asks reaches the service."""
    return str(request.base_url).rstrip("/")
