"""What routes ask for: the service, who is asking, and how much of a list."""

from typing import Annotated

from fastapi import Depends, Query, Request

from service.context import Service
from service.entries import Entrant
from service.models.base import LARGEST_ID


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _entrant(request: Request) -> Entrant:
    # Whoever checks log-ins puts the person's id here before a route runs.
    person_id: int | None = getattr(request.state, "person_id", None)
    return _service(request).entrant(person_id)


# The service, never an open connection: a connection handed out by a dependency would be used in
# another thread than the one that opened it. Routes open their own.
TheService = Annotated[Service, Depends(_service)]
By = Annotated[Entrant, Depends(_entrant)]
Limit = Annotated[int, Query(ge=1, le=1000, description="At most so many.")]
Offset = Annotated[int, Query(ge=0, le=LARGEST_ID, description="Skip so many.")]
