"""What every request and job of one service works with; made once, passed on explicitly."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime

from service.answering import Answering
from service.flags.looks_record import LooksRecord
from service.log.database import Database
from service.log.entries import Entrant
from service.photos.inspector import Inspector
from service.photos.photo_store import PhotoStore
from service.settings import Settings

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The service's only reading of the clock."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Service:
    """One running service.

    Parameters
    ----------
    settings : Settings
    database : Database
    store : PhotoStore
    inspector : Inspector
    clock : callable
        Aware present moment; tests give their own.
    watchers : list of callable
        Called as ``watcher(service, tray_ids)`` after anything about those trays was entered or
        corrected, once it is durable; where flags are worked out. What a watcher raises is
        logged and does not undo what was entered.
    answering : Answering
        For whatever can wait until nobody does.
    looks : LooksRecord
        Whether the reasons to look are being worked out.
    """

    settings: Settings
    database: Database
    store: PhotoStore
    inspector: Inspector
    clock: Clock = utc_now
    watchers: list["Watcher"] = field(default_factory=list)
    answering: Answering = field(default_factory=Answering)
    looks: LooksRecord = field(default_factory=LooksRecord)

    def entrant(self, person_id: int | None = None) -> Entrant:
        """Who enters something now."""
        return Entrant(self.clock(), person_id)


Watcher = Callable[[Service, Collection[int]], None]
