"""What people are about to ask for, worked out while nobody waits: curves, and last photos."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import sqlalchemy as sa

from service.background import Rounds
from service.context import Service
from service.growth.growth import RoomGrowth
from service.growth.kept_fits import FITS, FitsFile
from service.log.entries import current
from service.log.schema import SHELF
from service.photos.photo_log import latest_photos
from service.room.room_log import the_room
from service.runs.run_calendar import run_calendar

_FITS_FILE: Final = "fits.sqlite"
# A round over curves that are known already takes seconds in a large room.
_SECONDS: Final = 300.0
# The flags go first.
_FIRST_SECONDS: Final = 15.0
# Whoever waits for an answer goes first.
_MOST_SECONDS: Final = 1.0


class CurveWarmer:
    """Works out the curves of all shelves, one after the other; their fits are kept on the disk.

    Parameters
    ----------
    service : Service
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._file = FitsFile(service.settings.data / _FITS_FILE, FITS)
        self._closing = threading.Event()
        # Two rounds beside each other would work out the same curves twice.
        self._turn = threading.Lock()
        self._rounds = Rounds("curves", _SECONDS, self.look, first_seconds=_FIRST_SECONDS)

    def start(self) -> None:
        """Bring what was kept before, and begin."""
        self._file.bring()
        self._rounds.start()

    def close(self) -> None:
        """Stop after the shelf at hand; what was worked out stays on the disk."""
        self._closing.set()
        self._rounds.close()
        self._keep()

    def look(self) -> int:
        """One round; returns the number of curves."""
        with self._turn:
            return self._look()

    def _look(self) -> int:
        now = current(SHELF)
        with self._service.database.read() as connection:
            shelves = list(connection.execute(sa.select(now.c.id).order_by(now.c.id)).scalars())
            trays = list(run_calendar(connection).by_tray)
        for tray_id in trays:
            if self._closing.is_set():
                break
            with self._next() as connection:
                latest_photos(connection, [tray_id])
        curves = 0
        for shelf_id in shelves:
            if self._closing.is_set():
                break
            with self._next() as connection:
                growth = RoomGrowth(connection, the_room(connection), self._service.clock())
                curves += len(growth.shelf(shelf_id).runs)
        self._keep()
        return curves

    @contextmanager
    def _next(self) -> Iterator[sa.Connection]:
        """For the next part, when nobody waits for an answer or has waited for long."""
        self._service.answering.wait_for_pause(_MOST_SECONDS)
        with self._service.database.read() as connection:
            yield connection

    def _keep(self) -> None:
        self._file.keep(self._service.clock().date())
