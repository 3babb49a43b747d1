"""Paths of messages: whom to tell, what was told, and a test."""

from typing import Annotated

from fastapi import APIRouter, Path, Request

from service.api.things import thing_router
from service.messages.notification_targets import TARGETS
from service.messages.notifications import Notifier, notifications
from service.models.base import LARGEST_ID
from service.models.notifications import NotificationOut, NotificationsOut
from service.problems import RESPONSES
from service.route_arguments import Limit, Offset, TheService

TargetId = Annotated[int, Path(ge=1, le=LARGEST_ID)]

_special = APIRouter(prefix="/api/notifications", tags=["notifications"], responses=RESPONSES)


@_special.get("", summary="Messages, the last made first")
def list_notifications(
    service: TheService, limit: Limit = 100, offset: Offset = 0
) -> NotificationsOut:
    """What was told, waits to be told, or could not be."""
    with service.database.read() as connection:
        return NotificationsOut(notifications=notifications(connection, limit=limit, offset=offset))


@_special.post("/targets/{target_id}/test", status_code=201, summary="Send a test message")
def test(request: Request, target_id: TargetId) -> NotificationOut:
    """Tried once, now; the answer says whether it was taken."""
    notifier: Notifier = request.app.state.notifier
    return notifier.test(target_id)


ROUTERS = (_special, thing_router(TARGETS, "/api/notifications/targets"))
