"""What routes ask for: the service, who is asking, and how much of a list."""

from typing import Annotated

from fastapi import Depends, Path, Query, Request

from service.accounts.passwords import Passwords
from service.accounts.roles import Visitor
from service.context import Service
from service.log.entries import Entrant
from service.models.base import LARGEST_ID


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _entrant(request: Request) -> Entrant:
    # Whoever checks log-ins puts the person's id here before a route runs.
    person_id: int | None = getattr(request.state, "person_id", None)
    return _service(request).entrant(person_id)


def _passwords(request: Request) -> Passwords:
    passwords: Passwords = request.app.state.passwords
    return passwords


def _visitor(request: Request) -> Visitor:
    visitor: Visitor = request.state.visitor
    return visitor


def address_of(request: Request) -> str | None:
    """Where a request comes from, as far as the server knows."""
    return None if request.client is None else request.client.host


# The service, never an open connection: a connection handed out by a dependency would be used in
# another thread than the one that opened it. Routes open their own.
TheService = Annotated[Service, Depends(_service)]
By = Annotated[Entrant, Depends(_entrant)]
ThePasswords = Annotated[Passwords, Depends(_passwords)]
TheVisitor = Annotated[Visitor, Depends(_visitor)]
Limit = Annotated[int, Query(ge=1, le=1000, description="At most so many.")]
Offset = Annotated[int, Query(ge=0, le=LARGEST_ID, description="Skip so many.")]
PhotoId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
