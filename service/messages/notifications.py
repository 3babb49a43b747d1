"""Telling people, each thing once: a lasting list of messages, and their sending.

Which messages there must be follows from the open flags and the date, so nothing is lost when the
service stops in between; a unique key for each target keeps any of them from being made twice. A
try is entered before it is made. If the service is killed between a message's being taken by the
other side and its being entered as sent, it is sent a second time: no mail server can be asked.
"""

import logging
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import sqlalchemy as sa

from service.background import Rounds, delay_seconds
from service.context import Service
from service.flags.flag_log import flags
from service.log.outside_schema import NOTIFICATION
from service.log.refusals import NotFound
from service.messages.due_messages import DIGEST, due_messages
from service.messages.notification_sending import Sender, send_by_apprise
from service.messages.notification_targets import TARGETS, is_quiet, wakes
from service.messages.notification_texts import (
    TEST_BODY,
    TEST_TITLE,
    Message,
)
from service.models.notifications import AtOnce, NotificationOut, NotificationState, Target
from service.room.room_log import Row, the_room

_LOG = logging.getLogger(__name__)
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 60.0, 3600.0
_TRIED_FOR = timedelta(hours=24)
# A clock that jumps ahead makes a message old at once; so many tries take hours.
_LEAST_TRIES = 12
# All flags are read at each look, and no message is so urgent that half a minute matters.
_ROUNDS_BETWEEN = 6


class Notifier:
    """Makes the messages that are due and sends those that wait.

    Parameters
    ----------
    service : Service
    send : callable
        See `service.messages.notification_sending.Sender`.
    """

    def __init__(self, service: Service, send: Sender = send_by_apprise) -> None:
        self._service = service
        self._send = send
        # What became of messages while the log did not answer; it must not be sent again.
        self._ended: dict[int, dict[str, object]] = {}
        self._rounds = Rounds(
            "notifications", _ROUNDS_BETWEEN * service.settings.round_seconds, self.look
        )

    def start(self) -> None:
        """Begin."""
        self._rounds.start()

    def close(self) -> None:
        """Stop after the message at hand."""
        self._rounds.close()

    def look(self) -> None:
        """One round."""
        self.make()
        self.deliver()

    def make(self) -> None:
        """Enter the messages that are due."""
        with self._service.database.read() as connection:
            due = due_messages(connection, self._service.clock())
        for target, message in due:
            self._enter(target, message)

    def deliver(self) -> None:
        """Try to send what waits."""
        for message_id, ended in list(self._ended.items()):
            self._end(message_id, ended)
        now = self._service.clock()
        self._draw_back(now)
        with self._service.database.read() as connection:
            statement = (
                sa.select(NOTIFICATION)
                .where(
                    NOTIFICATION.c.state == NotificationState.WAITING,
                    NOTIFICATION.c.next_try_at <= now,
                )
                .order_by(NOTIFICATION.c.id)
            )
            waiting = list(connection.execute(statement).mappings())
        for row in waiting:
            self._deliver(row)

    def _draw_back(self, now: datetime) -> None:
        """Moments that a clock gave which was ahead count as now."""
        latest = now + timedelta(seconds=2 * _LONGEST_PAUSE_SECONDS)
        ahead = sa.and_(
            NOTIFICATION.c.state == NotificationState.WAITING,
            sa.or_(NOTIFICATION.c.next_try_at > latest, NOTIFICATION.c.made_at > latest),
        )
        with self._service.database.read() as connection:
            ids = connection.scalars(sa.select(NOTIFICATION.c.id).where(ahead)).all()
        if ids:
            drawn = {"made_at": now, "next_try_at": now}
            with self._service.database.write() as connection:
                connection.execute(sa.update(NOTIFICATION).where(ahead).values(drawn))

    def test(self, target_id: int) -> NotificationOut:
        """Send a test message now, once.

        Raises
        ------
        NotFound
            If there is no such target.
        """
        with self._service.database.read() as connection:
            target = TARGETS.get(connection, target_id)
            assert isinstance(target, Target)
            name = the_room(connection).name
        key = f"test {self._service.clock().isoformat()}"
        self._enter(target, Message(key, TEST_TITLE, TEST_BODY.format(room=name)))
        with self._service.database.read() as connection:
            row = _row(connection, NOTIFICATION.c.key == key, target_id)
        if row["state"] == NotificationState.WAITING:
            self._deliver(row)
        with self._service.database.read() as connection:
            return notification_out(_row(connection, NOTIFICATION.c.key == key, target_id))

    def _enter(self, target: Target, message: Message) -> None:
        now = self._service.clock()
        values = {
            "target_id": target.id,
            "key": message.key,
            "title": message.title,
            "body": message.body,
            "flags": list(message.flags),
            "while_open": message.while_open,
            "made_at": now,
            "state": NotificationState.WAITING,
            "next_try_at": now,
            "tries": 0,
        }
        with self._service.database.write() as connection:
            known = sa.select(NOTIFICATION).where(
                NOTIFICATION.c.target_id == target.id, NOTIFICATION.c.key == message.key
            )
            row = connection.execute(known).mappings().first()
            if row is None:
                connection.execute(sa.insert(NOTIFICATION).values(values))
            elif row["state"] == NotificationState.DROPPED:
                # What it speaks of was over before it could be told, and is back.
                _change(connection, row["id"], {**values, "ended_at": None, "error": None})

    def _deliver(self, row: Row) -> None:
        now = self._service.clock()
        with self._service.database.write() as connection:
            address = self._claim(connection, row, now)
        if address is None:
            return
        try:
            error = self._send(address, row["title"], row["body"])
        except Exception as failure:
            # A fault in one messenger's code must not keep the others from being told.
            _LOG.exception("sending message %s failed", row["id"])
            error = f"the program failed ({type(failure).__name__})"
        ended: dict[str, object] = {"error": error}
        if error is None:
            ended |= {"state": NotificationState.SENT, "ended_at": self._service.clock()}
        elif row["key"].startswith("test ") or (
            now - row["made_at"] >= _TRIED_FOR and row["tries"] >= _LEAST_TRIES
        ):
            ended |= {"state": NotificationState.GIVEN_UP, "ended_at": self._service.clock()}
        self._ended[row["id"]] = ended
        self._end(row["id"], ended)

    def _end(self, message_id: int, ended: dict[str, object]) -> None:
        with self._service.database.write() as connection:
            _change(connection, message_id, ended)
        self._ended.pop(message_id, None)

    def _claim(self, connection: sa.Connection, row: Row, now: datetime) -> str | None:
        """Enter a try before it is made; the address to send to, None where not now."""
        row = _row(connection, NOTIFICATION.c.id == row["id"], row["target_id"])
        if row["state"] != NotificationState.WAITING or row["next_try_at"] > now:
            return None
        try:
            target = TARGETS.get(connection, row["target_id"])
        except NotFound:
            target = None
        if not isinstance(target, Target) or not target.active or _is_over(connection, row, now):
            gone = {"state": NotificationState.DROPPED, "ended_at": now}
            _change(connection, row["id"], gone)
            return None
        zone = ZoneInfo(the_room(connection).time_zone)
        if is_quiet(target, now, zone) and not _may_wake(target, row, zone):
            return None
        rng = np.random.default_rng([row["id"], row["tries"]])
        pause = delay_seconds(
            row["tries"] + 1,
            first=_FIRST_PAUSE_SECONDS,
            most=_LONGEST_PAUSE_SECONDS,
            chance=rng.random(),
        )
        again_at = now + timedelta(seconds=pause)
        _change(connection, row["id"], {"tries": row["tries"] + 1, "next_try_at": again_at})
        return TARGETS.address(connection, target.id)


def notifications(
    connection: sa.Connection, *, limit: int, offset: int = 0
) -> list[NotificationOut]:
    """Messages, the last made first."""
    statement = (
        sa.select(NOTIFICATION).order_by(NOTIFICATION.c.id.desc()).limit(limit).offset(offset)
    )
    return [notification_out(row) for row in connection.execute(statement).mappings()]


def notification_out(row: Row) -> NotificationOut:
    """One message as the service gives it out."""
    fields = NotificationOut.model_fields
    return NotificationOut.model_validate({name: row[name] for name in fields})


def _is_over(connection: sa.Connection, row: Row, now: datetime) -> bool:
    """Whether what a message speaks of is gone or was answered, or a later digest was made."""
    if not row["while_open"]:
        later = sa.select(NOTIFICATION.c.id).where(
            NOTIFICATION.c.target_id == row["target_id"],
            NOTIFICATION.c.id > row["id"],
            NOTIFICATION.c.key.startswith(DIGEST),
        )
        return row["key"].startswith(DIGEST) and connection.execute(later).first() is not None
    still = {str(flag.id) for flag in flags(connection, now)}
    return not any(word.split()[0] in still for word in row["flags"])


def _may_wake(target: Target, row: Row, zone: ZoneInfo) -> bool:
    """Whether a message goes out in the quiet hours: a test, what must, a digest asked for then."""
    if not row["while_open"]:
        wanted_then = is_quiet(target, row["made_at"], zone) and row["tries"] == 0
        return wanted_then or not row["key"].startswith(DIGEST)
    words = [word.partition(" ")[2] for word in row["flags"]]
    return any(wakes(target, what) for what in AtOnce if what in words)


def _row(connection: sa.Connection, condition: sa.ColumnElement[bool], target_id: int) -> Row:
    statement = sa.select(NOTIFICATION).where(condition, NOTIFICATION.c.target_id == target_id)
    return connection.execute(statement).mappings().one()


def _change(connection: sa.Connection, row_id: int, values: dict[str, object]) -> None:
    connection.execute(sa.update(NOTIFICATION).where(NOTIFICATION.c.id == row_id).values(**values))
