"""Originals are let go by the room's rule: first in the log, then on the disk.

So no record ever claims an original that is gone. What a stop in between leaves on the disk goes
the next time. Nothing goes whose thumbnail and overlay could not be drawn again.
"""

import logging
from collections.abc import Collection
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.background import Rounds
from service.context import Service
from service.log.entries import current
from service.log.file_lock import originals_may_go
from service.log.refusals import Refusal
from service.log.schema import PHOTO_INSPECTION, TRAY_INSPECTION
from service.photos.photo_changes import picture
from service.photos.photo_store import StrayOriginal
from service.photos.retention_log import enter_let_go, let_go_digests, named_digests
from service.photos.retention_rule import Original, RetentionPlan, plan_retention
from service.room.room_log import the_room
from service.settings import KeepPhotos

_LOG = logging.getLogger(__name__)
_HOUR_SECONDS = 3600.0
# What no record names for so long is not on its way into the log any more.
STRAY_AFTER: Final = timedelta(days=7)


def retention_plan(service: Service) -> RetentionPlan:
    """What would go now; changes nothing."""
    with service.database.read() as connection:
        return plan_retention(connection, service.settings, service.clock())


def retain(service: Service) -> RetentionPlan:
    """Let go what the rule does not keep; returns what went.

    Raises
    ------
    Conflict
        If an export or backup that relies on the originals is being written.
    """
    with originals_may_go(service.settings.data):
        ready = {
            one.photo_id for one in retention_plan(service).to_go if _pictures_stay(service, one)
        }
        with service.database.write() as connection:
            now = service.clock()
            plan = _only(plan_retention(connection, service.settings, now), ready)
            ids = [one.photo_id for one in plan.to_go]
            enter_let_go(connection, ids, now, rule=plan.rule)
            digests = let_go_digests(connection)
        for digest in digests:
            service.store.let_original_go(digest)
    return plan


def stray_originals(service: Service) -> list[StrayOriginal]:
    """Originals that no record names, such as of uploads that were cut off.

    They are only told, never deleted: to a log that was lost or replaced, all photos of the one
    before are strays. Those of the last week may be of an upload or import that is at work.
    """
    with service.database.read() as connection:
        named = named_digests(connection)
    return service.store.stray_originals(named, service.clock() - STRAY_AFTER)


class DailyRetention:
    """Holds the rule once a day while the service runs; does nothing where all is kept.

    Parameters
    ----------
    service : Service
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._last: date | None = None
        self._rounds = Rounds("retention", _HOUR_SECONDS, self.round)

    def start(self) -> None:
        """Begin, where anything may ever go."""
        if self._service.settings.keep_photos is not KeepPhotos.ALL:
            self._rounds.start()

    def close(self) -> None:
        """Stop after the round at hand."""
        self._rounds.close()

    def round(self) -> None:
        """Hold the rule unless that was done today, by the room's calendar."""
        with self._service.database.read() as connection:
            zone = ZoneInfo(the_room(connection).time_zone)
        today = self._service.clock().astimezone(zone).date()
        if today == self._last:
            return
        try:
            plan = retain(self._service)
        except Refusal as refusal:
            _LOG.info("no original is let go this hour: %s", refusal)
            return
        self._last = today
        _LOG.info("%d originals let go, %d bytes", len(plan.to_go), plan.size_bytes)


def _only(plan: RetentionPlan, ready: Collection[int]) -> RetentionPlan:
    to_go = tuple(one for one in plan.to_go if one.photo_id in ready)
    return replace(plan, kept=plan.kept + len(plan.to_go) - len(to_go), to_go=to_go)


def _pictures_stay(service: Service, original: Original) -> bool:
    """Whether all pictures of a photo are there, drawn again now where they were not."""
    with service.database.read() as connection:
        names = _picture_names(connection, original.photo_id)
    try:
        for name in names:
            picture(service, original.photo_id, name)
    except Refusal as refusal:
        _LOG.warning("the original of photo %d stays: %s", original.photo_id, refusal)
        return False
    return True


def _picture_names(connection: sa.Connection, photo_id: int) -> list[str]:
    passes = current(PHOTO_INSPECTION)
    statement = sa.select(passes.c.entry_id, passes.c.record).where(passes.c.photo_id == photo_id)
    last: Any = connection.execute(statement).one()
    if last.record["width"] is None:
        return []
    trays = connection.execute(
        sa.select(TRAY_INSPECTION.c.record).where(
            TRAY_INSPECTION.c.photo_inspection_id == last.entry_id
        )
    ).scalars()
    shown = [tray for tray in trays if tray["tray"] is not None]
    # Trays that a person marked have no straight-down view.
    numbers = [tray["tray"] for tray in shown if tray["pose"] is not None]
    return ["thumbnail.jpg", *(["overlay.jpg"] if shown else []), *_views(numbers)]


def _views(numbers: Collection[int]) -> list[str]:
    return [f"tray-{number}.jpg" for number in numbers]
