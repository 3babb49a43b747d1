"""Which messages there must be now: they follow from the open flags, the date and what was told."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.cameras.camera_health import cameras_health
from service.flags.flag_log import flags
from service.flags.today import RoomNow
from service.log.outside_schema import NOTIFICATION
from service.messages.notification_targets import TARGETS, digest_due, is_quiet, wakes
from service.messages.notification_texts import (
    Message,
    at_once_message,
    cannot_wait,
    digest_message,
    flag_word,
)
from service.models.notifications import NotificationState, Target
from service.room.room_log import Row, the_room

# How the keys of digests begin; their day follows.
DIGEST: Final = "digest "
_MOST_TARGETS: Final = 200
# Far longer than a digest waits; with years of messages each look would read them all.
_READ_BACK: Final = timedelta(days=60)


def due_messages(connection: sa.Connection, now: datetime) -> list[tuple[Target, Message]]:
    """Messages that there must be now and that are not made yet."""
    found = TARGETS.all(connection, limit=_MOST_TARGETS, where={"active": True})
    targets = [target for target in found if isinstance(target, Target)]
    if not targets:
        return []
    room = the_room(connection)
    zone = ZoneInfo(room.time_zone)
    open_flags = flags(connection, now)
    # Nothing can have been told of a flag before it was opened.
    since = min([now, *(flag.opened_at for flag in open_flags)]) - _READ_BACK
    due: list[tuple[Target, Message]] = []
    for target in targets:
        made = _made(connection, target, since)
        keys = {row["key"] for row in made if row["state"] != NotificationState.DROPPED}
        told = {word for row in made if _tells(row) for word in row["flags"]}
        if digest_due(target, now, zone):
            day = now.astimezone(zone).date().isoformat()
            if f"{DIGEST}{day}" not in keys:
                today = RoomNow(connection, room, now).today()
                cameras = cameras_health(connection, now).cameras
                digest = digest_message(today, cameras, told, room.name)
                told |= set(digest.flags)
                due.append((target, digest))
        waiting = {word for row in made if _is_waiting(row) for word in row["flags"]}
        for flag in open_flags:
            what, word = cannot_wait(flag), flag_word(flag)
            if what is None or what not in target.at_once or word in told | waiting:
                continue
            if f"flag {word}" in keys:
                # Given up: the next digest tells it.
                continue
            if wakes(target, what) or not is_quiet(target, now, zone):
                due.append((target, at_once_message(flag, zone)))
    return due


def _made(connection: sa.Connection, target: Target, since: datetime) -> Sequence[Row]:
    columns = ("key", "flags", "while_open", "state")
    statement = sa.select(*(NOTIFICATION.c[name] for name in columns)).where(
        NOTIFICATION.c.target_id == target.id,
        sa.or_(NOTIFICATION.c.made_at > since, NOTIFICATION.c.state == NotificationState.WAITING),
    )
    return list(connection.execute(statement).mappings())


def _is_waiting(row: Row) -> bool:
    return bool(row["state"] == NotificationState.WAITING)


def _tells(row: Row) -> bool:
    """Whether a message was told, or will be; a digest that waits may be overtaken by the next."""
    return bool(row["state"] == NotificationState.SENT or (row["while_open"] and _is_waiting(row)))
