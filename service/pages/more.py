"""The page of places that do not fit at the foot of a phone."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.pages import addresses
from service.pages.frame import show
from service.route_arguments import TheService

router = APIRouter(include_in_schema=False)


@router.get(addresses.MORE)
def more(service: TheService, request: Request) -> Response:
    """Set up, print, help and the log-out."""
    with service.database.read() as connection:
        return show(request, connection, "more.html", None, here=addresses.MORE)
