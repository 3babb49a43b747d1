"""The undo that stands beside what was just done."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.api.dependencies import By, TheService
from service.pages import addresses
from service.pages.forms import TypedForm
from service.pages.notices import Entry, back, done
from service.refusals import Refusal
from service.undoing import undo

router = APIRouter(include_in_schema=False)


@router.post(addresses.UNDO)
def post_undo(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Take back what the last action entered."""
    try:
        entries = [Entry.parse(text) for text in typed.texts("entry")]
    except ValueError as error:
        raise Refusal("entry", str(error)) from error
    if not entries:
        raise Refusal("entry", "must name what to undo, got nothing")
    undo(service, [(entry.kind, entry.entry_id) for entry in entries], by)
    return done(back(request, addresses.NOW), "Undone. Both entries stay in the history.")
