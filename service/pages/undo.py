"""The undo that stands beside what was just done."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.accounts.roles import Right
from service.log.refusals import Refusal
from service.pages import addresses
from service.pages.forms.forms import TypedForm
from service.pages.frame import visitor_of
from service.pages.notices import Entry, back, done
from service.route_arguments import By, TheService
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
    may_own = Right.OWN in visitor_of(request).rights
    undo(service, [(entry.kind, entry.entry_id) for entry in entries], by, may_own=may_own)
    came_from = back(request, addresses.NOW)
    to = addresses.own_path(typed.text("to") or came_from)
    return done(to, "Undone. Both entries stay in the history.")
