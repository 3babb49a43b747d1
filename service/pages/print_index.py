"""What can go on paper."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.dependencies import TheService
from service.pages import addresses
from service.pages.frame import show

router = APIRouter(include_in_schema=False)


@router.get(addresses.PRINT)
def print_index(service: TheService, request: Request) -> Response:
    """The round, labels, a report."""
    with service.database.read() as connection:
        return show(request, connection, "print.html", None, here=addresses.MORE)
