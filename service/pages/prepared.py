"""What pages ask for, worked out after entries and before somebody asks.

A page that comes first works the same out by itself: nothing depends on this but its time.
"""

from collections.abc import Collection

import sqlalchemy as sa

from service.context import Service
from service.growth.growth import RoomGrowth
from service.pages.flags.flags import what_became
from service.pages.shelves.shelves import Period
from service.pages.shelves.shelves_content import ShelvesContent
from service.pages.words import Say
from service.photos.photo_log import latest_photos
from service.room.room_log import shelf_names, the_room
from service.room.trays_now import TraysNow
from service.runs.run_harvests import harvests_of_runs

# Whoever asks for a page goes before each part, yet parts come to an end.
_MOST_SECONDS = 1.0


def prepare(service: Service, tray_ids: Collection[int]) -> None:
    """Work out what follows from entries about some trays.

    Parameters
    ----------
    service : Service
    tray_ids : collection of int
        Without any, what follows of the room as a whole.
    """
    for tray_id in sorted(tray_ids):
        service.answering.wait_for_pause(_MOST_SECONDS)
        with service.database.read() as connection:
            _curves(connection, service, tray_id)
            latest_photos(connection, [tray_id])
    if not tray_ids:
        # Air that was read, for one, moves the curves over warmth of all that stands in it.
        _shelves(service)
    service.answering.wait_for_pause(_MOST_SECONDS)
    with service.database.read() as connection:
        content = ShelvesContent(connection, Say(the_room(connection), service.clock()), None)
        content.records(int(Period.QUARTER))
        # What the first page, the room's and the round's on paper begin with.
        TraysNow(connection, the_room(connection), service.clock()).standing()
        harvests_of_runs(connection)
    service.answering.wait_for_pause(_MOST_SECONDS)
    with service.database.read() as connection:
        what_became(connection, service.clock())


def _curves(connection: sa.Connection, service: Service, tray_id: int) -> None:
    """Of the tray's last run, under way or just ended."""
    growth = RoomGrowth(connection, the_room(connection), service.clock())
    spans = growth.calendar.by_tray.get(tray_id, ())
    for readings in growth.readings(spans[-1:]):
        growth.curves(readings)


def _shelves(service: Service) -> None:
    with service.database.read() as connection:
        shelves = list(shelf_names(connection))
    for shelf_id in shelves:
        service.answering.wait_for_pause(_MOST_SECONDS)
        with service.database.read() as connection:
            RoomGrowth(connection, the_room(connection), service.clock()).shelf(shelf_id)
